#include "page/form.h"

#include <charconv>

namespace rebite::page {

Result<Form> Form::of(const Request& r) {
  Form f{nlohmann::json::parse(r.body, nullptr, false)};
  if (!r.content_type.starts_with("application/json") || !f.j.is_object()) {
    return refuse(ProblemKind::usage, "the page sent something that is no form", "Load it again.");
  }
  return f;
}
std::string Form::text(const char* key) const {
  const auto found = j.find(key);
  return found != j.end() && found->is_string() ? found->get<std::string>().substr(0, 4000) : "";
}
std::int64_t Form::number(const char* key) const {
  const auto found = j.find(key);
  return found != j.end() && found->is_number_integer() ? found->get<std::int64_t>() : 0;
}
double Form::real(const char* key) const {
  const auto found = j.find(key);
  return found != j.end() && found->is_number() ? found->get<double>() : 0;
}
bool Form::flag(const char* key) const {
  const auto found = j.find(key);
  return found != j.end() && found->is_boolean() && found->get<bool>();
}

namespace {

// Only what the file system can do no harm with; the rest becomes a dash.
std::string harmless(std::string_view name) {
  std::string out;
  for (const char c : name.substr(0, 60)) {
    const bool plain = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9');
    out += plain ? c : '-';
  }
  return out;
}

}  // namespace

std::string file_name_for(std::string_view name, const std::string& unique) {
  const auto dot = name.rfind('.');
  std::string ending = dot == std::string_view::npos ? "" : harmless(name.substr(dot + 1));
  if (ending.size() > 4) ending.clear();
  return harmless(name.substr(0, dot)) + "-" + unique + (ending.empty() ? "" : "." + ending);
}

std::string decoded(std::string_view text) {
  std::string out;
  for (std::size_t i = 0; i < text.size(); ++i) {
    unsigned value = 0;
    if (text[i] == '%' && i + 2 < text.size() &&
        std::from_chars(text.data() + i + 1, text.data() + i + 3, value, 16).ptr ==
            text.data() + i + 3) {
      out += static_cast<char>(value);
      i += 2;
    } else {
      out += text[i];
    }
  }
  for (char& c : out) {
    if ((c >= 0 && c < ' ') || c == 127) c = ' ';
  }
  return out.substr(0, 200);
}

Problem named(Problem p, const Names& names) {
  for (const auto& [ours, theirs] : names) {
    if (ours.empty()) continue;
    for (std::string* text : {&p.what, &p.next}) {
      for (auto at = text->find(ours); at != std::string::npos;
           at = text->find(ours, at + theirs.size())) {
        text->replace(at, ours.size(), theirs);
      }
    }
  }
  return p;
}

}  // namespace rebite::page
