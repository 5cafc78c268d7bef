// The "rebite-batch" file: interface.md, section JSON.
#include <fmt/format.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "files/seal.h"
#include "wedge/tone_curve.h"

namespace rebite::wedge {
namespace {

using Json = nlohmann::ordered_json;
constexpr int version = 1;

const char* kind_word(CurveKind k) {
  return k == CurveKind::saturating ? "saturating" : "monotone";
}

std::vector<double> band(const ToneCurve::Table& t, double sign) {
  std::vector<double> edge(t.density.size());
  for (std::size_t i = 0; i < edge.size(); ++i) {
    edge[i] = t.density[i] + sign * ToneCurve::z90 * t.sd[i];
  }
  return edge;
}

Json step_json(const WedgeStep& s) {
  return {{"minutes", s.time.in_minutes()},
          {"density", s.density.value()},
          {"density_sd", s.sd},
          {"between_sd", s.between_sd ? Json(*s.between_sd) : Json(nullptr)},
          {"grain_sd", s.grain_sd},
          {"px", s.px},
          {"wiping_sd", s.wiping_sd}};
}

// Steps written by another hand have no place.
Json placed_json(const WedgeStep& s) {
  Json j = step_json(s);
  if (s.place > 0) {
    j["place"] = s.place;
    j["x_mm"] = s.x_mm;
    j["y_mm"] = s.y_mm;
    j["trimmed_mm"] = s.trimmed_mm;
  }
  return j;
}

Json curve_json(const Batch& b) {
  Json parameters = Json::object();
  for (const auto& [name, value] : b.curve.parameters()) parameters[name] = value;
  const ToneCurve::Table& t = b.curve.table();
  return {{"kind", kind_word(b.curve.kind())},
          {"parameters", parameters},
          {"minutes", t.minutes},
          {"density", t.density},
          {"low", band(t, -1)},
          {"high", band(t, +1)},
          {"sd", t.sd},
          {"useful_until_minutes", b.curve.useful_until().in_minutes()},
          {"solid_density", b.solid.value()}};
}

// A value that breaks the format; caught in batch_from_json only.
struct Bad {
  std::string what;
};

class Reader {
 public:
  Reader(const Json& object, std::string where) : json_(object), where_(std::move(where)) {
    if (!json_.is_object()) throw Bad{fmt::format("{} is not an object", where_)};
  }

  Reader part(const char* key) const { return {need(key), path(key)}; }
  bool has(const char* key) const { return json_.contains(key) && !json_[key].is_null(); }
  const Json& need(const char* key) const {
    if (!json_.contains(key)) throw Bad{fmt::format("{} is missing", path(key))};
    return json_[key];
  }
  double number(const char* key) const { return finite(need(key), path(key)); }
  double number(const char* key, double otherwise) const {
    return has(key) ? number(key) : otherwise;
  }
  double number_within(const char* key, double low, double high, double otherwise) const {
    const double v = number(key, otherwise);
    if (!(v >= low && v <= high)) {
      throw Bad{fmt::format("{} is {:g}, but must lie in {:g} to {:g}", path(key), v, low, high)};
    }
    return v;
  }
  std::string text(const char* key) const {
    if (!has(key)) return {};
    if (!json_[key].is_string()) throw Bad{fmt::format("{} is not text", path(key))};
    return json_[key].get<std::string>();
  }
  std::vector<double> numbers(const char* key) const {
    const Json& list = need(key);
    if (!list.is_array()) throw Bad{fmt::format("{} is not a list", path(key))};
    std::vector<double> out;
    for (const Json& v : list) out.push_back(finite(v, path(key)));
    return out;
  }
  Notes notes(const char* key) const {
    Notes out;
    if (!has(key)) return out;
    if (!json_[key].is_array()) throw Bad{fmt::format("{} is not a list", path(key))};
    for (const Json& v : json_[key]) {
      if (!v.is_string()) throw Bad{fmt::format("{} holds something that is not text", path(key))};
      out.push_back(v.get<std::string>());
    }
    return out;
  }
  const Json& json() const { return json_; }
  std::string path(const char* key) const { return where_.empty() ? key : where_ + "." + key; }

 private:
  static double finite(const Json& v, const std::string& path) {
    if (!v.is_number()) throw Bad{fmt::format("{} holds something that is not a number", path)};
    const double d = v.get<double>();
    if (!std::isfinite(d)) throw Bad{fmt::format("{} holds a number that is not finite", path)};
    return d;
  }
  const Json& json_;
  std::string where_;
};

std::vector<WedgeStep> read_steps(const Reader& batch) {
  const Json& list = batch.need("steps");
  if (!list.is_array()) throw Bad{"steps is not a list"};
  std::vector<WedgeStep> steps;
  for (std::size_t i = 0; i < list.size(); ++i) {
    const Reader r(list[i], fmt::format("steps[{}]", i));
    WedgeStep s;
    s.time = BiteTime::minutes(r.number("minutes"));
    s.density = Density::of(r.number("density"));
    s.sd = r.number_within("density_sd", 0, 10, 0);
    if (r.has("between_sd")) s.between_sd = r.number_within("between_sd", 0, 10, 0);
    s.grain_sd = r.number_within("grain_sd", 0, 10, 0);
    s.px = r.number_within("px", 0, 1e12, 0);
    s.wiping_sd = r.number_within("wiping_sd", 0, 10, 0);
    s.place = static_cast<int>(r.number_within("place", 0, 1000, 0));
    s.x_mm = r.number("x_mm", 0);
    s.y_mm = r.number("y_mm", 0);
    s.trimmed_mm = r.number_within("trimmed_mm", 0, 100, 0);
    if (s.time.in_minutes() < 0 || (i > 0 && s.time <= steps.back().time)) {
      throw Bad{
          fmt::format("steps[{}].minutes is {:g}: times must rise from 0", i, s.time.in_minutes())};
    }
    steps.push_back(s);
  }
  return steps;
}

ToneCurve read_curve(const Reader& c) {
  const std::string kind = c.text("kind");
  if (kind != "saturating" && kind != "monotone") {
    throw Bad{fmt::format("curve.kind is \"{}\", but must be saturating or monotone", kind)};
  }
  ToneCurve::Table t{c.numbers("minutes"), c.numbers("density"), {}};
  const std::size_t n = t.minutes.size();
  if (c.has("sd")) {
    t.sd = c.numbers("sd");
  } else {
    // Written by another hand: the 90 % band tells the spread.
    const auto low = c.numbers("low");
    const auto high = c.numbers("high");
    if (low.size() != n || high.size() != n) throw Bad{"curve.low and curve.high differ in length"};
    for (std::size_t i = 0; i < n; ++i) {
      t.sd.push_back((high[i] - low[i]) / (2 * ToneCurve::z90));
    }
  }
  if (n < 2 || t.density.size() != n || t.sd.size() != n) {
    throw Bad{fmt::format(
        "the curve has {} times, {} densities and {} spreads", n, t.density.size(), t.sd.size())};
  }
  if (t.minutes.front() != 0) throw Bad{"curve.minutes does not begin at 0"};
  for (std::size_t i = 0; i < n; ++i) {
    if (!(t.sd[i] > 0)) throw Bad{fmt::format("curve.sd[{}] is not above 0", i)};
    if (i == 0) continue;
    if (t.minutes[i] <= t.minutes[i - 1]) {
      throw Bad{fmt::format("curve.minutes does not rise at {:g} min", t.minutes[i])};
    }
    if (t.density[i] < t.density[i - 1]) {
      throw Bad{fmt::format("curve.density falls from {:g} to {:g} at {:g} min",
                            t.density[i - 1],
                            t.density[i],
                            t.minutes[i])};
    }
  }
  const double until = c.number("useful_until_minutes");
  if (!(until > 0 && until <= t.minutes.back())) {
    throw Bad{fmt::format("curve.useful_until_minutes is {:g}, but the curve ends at {:g} min",
                          until,
                          t.minutes.back())};
  }
  std::vector<std::pair<std::string, double>> parameters;
  if (c.has("parameters")) {
    const Reader p = c.part("parameters");
    for (const auto& item : p.json().items()) {
      parameters.emplace_back(item.key(), p.number(item.key().c_str()));
    }
  }
  return {kind == "saturating" ? CurveKind::saturating : CurveKind::monotone,
          std::move(t),
          std::move(parameters),
          BiteTime::minutes(until)};
}

OverlapRule read_overlap(const Reader& batch) {
  OverlapRule rule;
  if (!batch.has("overlap")) return rule;
  const Reader o = batch.part("overlap");
  rule.q = o.number_within("q", 0.05, 5, rule.q);
  rule.sd = o.number_within("sd", 0, 5, rule.sd);
  if (o.has("measured")) {
    if (!o.json()["measured"].is_boolean()) throw Bad{"overlap.measured is not true or false"};
    rule.measured = o.json()["measured"].get<bool>();
  }
  return rule;
}

Json scanner_json(const WedgeScanner& s) {
  if (s.curve.empty()) return {{"used", false}};
  return {{"used", true}, {"name", s.curve}, {"sha256", s.sha256}};
}

WedgeScanner read_scanner(const Reader& batch) {
  if (!batch.has("scanner")) return {};
  const Reader s = batch.part("scanner");
  if (!s.need("used").is_boolean()) throw Bad{"scanner.used is not true or false"};
  WedgeScanner scanner{true, s.text("name"), s.text("sha256")};
  if (!s.json()["used"].get<bool>()) return {true, "", ""};
  if (scanner.curve.empty()) throw Bad{"scanner.name is missing"};
  const bool hex = scanner.sha256.find_first_not_of("0123456789abcdef") == std::string::npos;
  if (scanner.sha256.size() != 64 || !hex) throw Bad{"scanner.sha256 is no SHA-256"};
  return scanner;
}

Batch read_batch(const Json& root) {
  const Reader r(root, "");
  const Reader c = r.part("curve");
  Batch b{.name = r.text("name"),
          .mordant = r.text("mordant"),
          .strength = r.text("strength"),
          .metal = r.text("metal"),
          .ground = r.text("ground"),
          .temperature_c = std::nullopt,
          .bitten_on = r.text("bitten_on"),
          .impressions = static_cast<int>(r.number_within("impressions", 1, 1000, 1)),
          .steps = read_steps(r),
          .curve = read_curve(c),
          .solid = Density::of(c.number("solid_density")),
          .noise_density = r.number_within("noise_density", 0, 10, 0),
          .overlap = read_overlap(r),
          .scanner = read_scanner(r),
          .paper_reflectance = r.number_within("paper_reflectance", 0, 2, 0),
          .paper_unevenness = r.number_within("paper_unevenness", 0, 10, 0),
          .notes = r.notes("notes")};
  if (r.has("temperature_c")) b.temperature_c = r.number_within("temperature_c", -10, 100, 0);
  if (b.solid < b.curve.darkest() || b.solid.value() <= 0) {
    throw Bad{fmt::format("curve.solid_density is {:.3f}, but the curve reaches {:.3f}",
                          b.solid.value(),
                          b.curve.darkest().value())};
  }
  return b;
}

}  // namespace

std::string to_json(const Batch& b) {
  Json steps = Json::array();
  for (const WedgeStep& s : b.steps) steps.push_back(placed_json(s));
  Json root = {
      {"format", "rebite-batch"},
      {"version", version},
      {"name", b.name},
      {"mordant", b.mordant},
      {"strength", b.strength},
      {"temperature_c", b.temperature_c ? Json(*b.temperature_c) : Json(nullptr)},
      {"metal", b.metal},
      {"ground", b.ground},
      {"bitten_on", b.bitten_on},
      {"impressions", b.impressions},
      {"steps", steps},
      {"curve", curve_json(b)},
      {"noise_density", b.noise_density},
      {"overlap", {{"q", b.overlap.q}, {"sd", b.overlap.sd}, {"measured", b.overlap.measured}}},
      {"notes", b.notes}};
  if (b.scanner.recorded) root["scanner"] = scanner_json(b.scanner);
  if (b.paper_reflectance > 0) {
    root["paper_reflectance"] = b.paper_reflectance;
    root["paper_unevenness"] = b.paper_unevenness;
  }
  files::seal(root);
  // Names come from files and command lines: a broken UTF-8 byte becomes U+FFFD, never a throw.
  return root.dump(2, ' ', false, Json::error_handler_t::replace) + "\n";
}

Result<Batch> batch_from_json(std::string_view text, std::string_view name) {
  const auto refused = [&](const std::string& what) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: {}.", name, what),
                  "Give a .batch.json file written by `rebite wedge`, or read the wedge again.");
  };
  const Json root = Json::parse(text, nullptr, false);
  if (root.is_discarded()) return refused("this is not JSON");
  if (!root.is_object() || !root.contains("format") || root["format"] != "rebite-batch") {
    return refused("this is not a batch file (its format is not \"rebite-batch\")");
  }
  const Json found = root.contains("version") ? root["version"] : Json(nullptr);
  if (!found.is_number_integer()) return refused("the batch file has no version number");
  if (found.get<long long>() > version) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: batch file version {}, this program reads up to {}.",
                              name,
                              found.get<long long>(),
                              version),
                  "Use a newer Rebite, or read the wedge again with this one.");
  }
  if (found.get<long long>() < 1) return refused("the version number is below 1");
  if (files::seal_broken(root)) {
    return refuse(
        ProblemKind::data, fmt::format("{}: {}.", name, files::kSealBroken), files::kSealNext);
  }
  try {
    return read_batch(root);
  } catch (const Bad& bad) {
    return refused(bad.what);
  } catch (const nlohmann::json::exception& e) {
    return refused(e.what());
  }
}

}  // namespace rebite::wedge
