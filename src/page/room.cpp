#include "page/room.h"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <ctime>
#include <nlohmann/json.hpp>

#include "jobs/bath_jobs.h"
#include "page/form.h"
#include "page/sinks.h"

namespace rebite::page {
namespace {
using Json = nlohmann::json;

constexpr std::size_t most_scans = 60;  // that wait to be used

Response not_here() {
  return refusal(404, "There is nothing at this address.", "Go back to the plates.");
}

std::optional<std::int64_t> whole_number(std::string_view text) {
  if (text.empty() || text.size() > 15) return std::nullopt;
  std::int64_t n = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), n);
  if (error != std::errc() || end != text.data() + text.size() || n < 0) return std::nullopt;
  return n;
}

std::vector<std::string_view> segments(std::string_view path) {
  std::vector<std::string_view> out;
  while (!path.empty()) {
    path.remove_prefix(1);  // the slash
    const auto slash = path.find('/');
    out.push_back(path.substr(0, slash));
    path.remove_prefix(slash == std::string_view::npos ? path.size() : slash);
  }
  return out;
}

}  // namespace

namespace {

// No answer tells where on this machine anything lies.
Names folders_of(const jobs::Studio& studio) {
  Names names;
  for (const auto& folder : {studio.waiting(),
                             studio.uploads(),
                             studio.plans(),
                             studio.batches(),
                             studio.scanners(),
                             studio.folder,
                             studio.book.parent_path()}) {
    if (!folder.empty()) names.emplace_back(folder.string() + "/", "");
  }
  return names;
}

}  // namespace

Room::Room(RoomOptions options)
    : o_(std::move(options)), ours_(folders_of(o_.studio)), desk_(o_.studio) {}

Room::~Room() { work_.stop_all(); }

Room::Scan::~Scan() {
  std::error_code ignored;
  std::filesystem::remove(file, ignored);
}

std::int64_t Room::add_scan(HeldScan scan) {
  const std::lock_guard lock(mutex_);
  if (scans_.size() >= most_scans) scans_.erase(scans_.begin());
  scans_[++last_scan_] = std::move(scan);
  return last_scan_;
}

Response Room::told(const Problem& problem) const { return refusal(named(problem, ours_)); }

Response Room::from(const Result<std::string>& json) const {
  if (!json) return told(json.error());
  Response r;
  r.body = *json;
  return r;
}

Response Room::started(const Result<int>& id) const {
  if (!id) return told(id.error());
  Response r;
  r.status = 202;
  r.body = Json{{"work", *id}}.dump();
  return r;
}

const std::vector<Room::Route>& Room::routes() {
  static const std::vector<Route> table = {
      {"GET", "/api/keys", &Room::keys},
      {"GET", "/api/book", &Room::book},
      {"GET", "/api/plates/#", &Room::plate},
      {"GET", "/api/batches/#", &Room::batch},
      {"GET", "/api/scanners", &Room::scanners},
      {"GET", "/api/scanners/#", &Room::scanner},
      {"POST", "/api/scanners", &Room::new_scanner},
      {"POST", "/api/scanners/file", &Room::take_scanner},
      {"POST", "/api/wedges", &Room::new_batch},
      {"POST", "/api/states", &Room::new_state},
      {"GET", "/api/work/#", &Room::work_of},
      {"POST", "/api/work/#/stop", &Room::stop_work},
      {"GET", "/api/plans/#", &Room::plan},
      {"POST", "/api/plans/#/edits", &Room::change_plan},
      {"POST", "/api/plans/#/undo", &Room::undo_plan},
      {"POST", "/api/plans/#/redo", &Room::redo_plan},
      {"GET", "/api/plans/#/files/#", &Room::plan_file},
      {"GET", "/api/baths", &Room::baths},
      {"GET", "/api/states/#/bath", &Room::bath},
      {"POST", "/api/states/#/bath", &Room::bath_act},
  };
  return table;
}

const Room::Route* Room::find(std::string_view method,
                              std::string_view path,
                              Numbers& numbers,
                              bool& known) {
  const auto asked = segments(path);
  for (const auto& route : routes()) {
    const auto own = segments(route.path);
    if (own.size() != asked.size()) continue;
    numbers.clear();
    bool fits = true;
    for (std::size_t i = 0; fits && i < own.size(); ++i) {
      if (own[i] != "#") {
        fits = own[i] == asked[i];
      } else if (const auto n = whole_number(asked[i])) {
        numbers.push_back(*n);
      } else {
        fits = false;
      }
    }
    if (!fits) continue;
    known = true;
    if (method == route.method) return &route;
  }
  return nullptr;
}

Room::Begun Room::begin(Request head) {
  if (auto away = turned_away(head, o_.port)) return *away;
  const std::string_view path = head.target;
  if (path.empty() || path.front() != '/' || path.size() > 300) return not_here();
  if (!path.starts_with("/api/")) {
    if (head.method != "GET") return not_here();
    if (path.starts_with("/pictures/")) return picture(path.substr(10));
    const auto found = asset(path == "/" ? "index.html" : path.substr(1));
    if (!found) return not_here();
    Response r;
    r.type = found->type;
    r.body = found->bytes;
    return r;
  }
  if (head.keys != 1 || !same_secret(head.key, o_.keys.page)) {
    return refusal(401,
                   "This page belongs to an earlier start of Rebite.",
                   "Open the address that Rebite printed when it was last started.");
  }
  if (head.method == "POST" && path == "/api/scans") {
    return std::make_unique<ScanSink>(*this, decoded(head.name.empty() ? "scan" : head.name));
  }
  Numbers numbers;
  bool known = false;
  const Route* route = find(head.method, path, numbers, known);
  if (!route) return known ? refusal(405, "That is nothing this page does.", "") : not_here();
  return std::make_unique<BodySink>(*this, std::move(head), route->handler, std::move(numbers));
}

// Pictures: KEY/states/ID/proof|drawing, KEY/plans/ID/LAYER/LEVEL/COL/ROW ----

Response Room::picture(std::string_view path) {
  const std::string whole = "/" + std::string(path);
  const auto parts = segments(whole);
  if (parts.empty() || !same_secret(parts[0], o_.keys.picture)) return not_here();
  const auto image = [](const Result<std::string>& bytes, const char* type) {
    if (!bytes || bytes->empty()) return not_here();
    Response r;
    r.type = type;
    r.body = *bytes;
    r.keep = true;
    return r;
  };
  if (parts.size() == 4 && parts[1] == "states") {
    const auto id = whole_number(parts[2]);
    const bool drawing = parts[3] == "drawing";
    if (!id || (!drawing && parts[3] != "proof")) return not_here();
    return image(jobs::preview_of(o_.studio, *id, drawing), "image/png");
  }
  if (parts.size() == 7 && parts[1] == "plans") {
    const auto id = whole_number(parts[2]), level = whole_number(parts[4]);
    const auto col = whole_number(parts[5]), row = whole_number(parts[6]);
    constexpr std::int64_t far = 100000;
    if (!id || !level || !col || !row || *level > 30 || *col > far || *row > far) return not_here();
    return image(desk_.tile(*id,
                            std::string(parts[3]),
                            static_cast<int>(*level),
                            static_cast<int>(*col),
                            static_cast<int>(*row)),
                 "image/jpeg");
  }
  return not_here();
}

std::string Room::now_text() const {
  const std::time_t seconds = static_cast<std::time_t>(o_.wall_ms() / 1000);
  std::tm here{};
  ::localtime_r(&seconds, &here);
  char text[40];
  std::strftime(text, sizeof text, "%Y-%m-%dT%H:%M:%S%z", &here);
  std::string iso = text;
  iso.insert(iso.size() - 2, ":");  // +02:00
  return iso;
}
std::string Room::today() const { return now_text().substr(0, 10); }

Response Room::keys(const Request&, const Numbers&) {
  Response r;
  r.body = Json{{"picture", o_.keys.picture}}.dump();
  return r;
}

Response Room::book(const Request&, const Numbers&) { return from(jobs::book_json(o_.studio)); }
Response Room::plate(const Request&, const Numbers& n) {
  return from(jobs::plate_json(o_.studio, n[0]));
}
Response Room::batch(const Request&, const Numbers& n) {
  return from(jobs::batch_page(o_.studio, n[0], today()));
}

Response Room::work_of(const Request&, const Numbers& n) {
  Response r;
  r.body = n[0] < 1'000'000'000 ? work_.look(static_cast<int>(n[0])) : "";
  return r.body.empty() ? not_here() : r;
}
Response Room::stop_work(const Request&, const Numbers& n) {
  if (n[0] >= 1'000'000'000 || !work_.stop(static_cast<int>(n[0]))) return not_here();
  Response r;
  r.body = "{}";
  return r;
}

Response Room::plan(const Request&, const Numbers& n) { return from(desk_.view(n[0])); }

Response Room::answer_of(const Result<jobs::PlanDesk::Answer>& answer) {
  if (!answer) return told(answer.error());
  if (answer->conflict) {
    Response r = refusal(409,
                         "This plan was changed in another window meanwhile.",
                         "Look at the other change, then make yours again on top of it.");
    Json j = Json::parse(r.body);
    j["plan"] = answer->plan;
    r.body = j.dump();
    return r;
  }
  return from(desk_.view(answer->plan));
}
Response Room::change_plan(const Request& r, const Numbers& n) {
  const auto form = Form::of(r);
  if (!form) return told(form.error());
  const auto list = form->j.find("edits");
  const auto edits = jobs::hand_edits_from_json(list == form->j.end() ? "" : list->dump());
  if (!edits) return told(edits.error());
  return answer_of(desk_.change(n[0], *edits, now_text()));
}
Response Room::undo_plan(const Request&, const Numbers& n) { return answer_of(desk_.undo(n[0])); }
Response Room::redo_plan(const Request&, const Numbers& n) { return answer_of(desk_.redo(n[0])); }

Response Room::plan_file(const Request&, const Numbers& n) {
  // By number: no name from the client reaches anything that opens files.
  static constexpr std::pair<const char*, const char*> files[] = {
      {"bench-map.pdf", "application/pdf"},
      {"map.png", "image/png"},
      {"next-proof.png", "image/png"},
      {"report.html", "text/html; charset=utf-8"},
      {"plan.json", "application/json"},
      {"map.svg", "image/svg+xml"},
      {"regions.png", "image/png"}};
  if (n[1] >= static_cast<std::int64_t>(std::size(files))) return not_here();
  const auto& [name, type] = files[static_cast<std::size_t>(n[1])];
  Response r = from(desk_.file(n[0], name));
  if (r.status != 200) return r;
  r.type = type;
  r.download = name;
  return r;
}

Response Room::baths(const Request&, const Numbers&) {
  return from(jobs::baths_json(o_.studio, o_.wall_ms()));
}
Response Room::bath(const Request&, const Numbers& n) {
  return from(jobs::bath_json(o_.studio, n[0], o_.wall_ms()));
}
Response Room::bath_act(const Request& r, const Numbers& n) {
  using What = jobs::BathAct::What;
  const auto form = Form::of(r);
  if (!form) return told(form.error());
  static const std::map<std::string, What> acts = {{"start", What::start},
                                                   {"pause", What::pause},
                                                   {"resume", What::resume},
                                                   {"temperature", What::temperature},
                                                   {"pull", What::pull},
                                                   {"call_off", What::call_off},
                                                   {"strike", What::strike}};
  const auto found = acts.find(form->text("do"));
  if (found == acts.end()) return refusal(400, "That is nothing the bath does.", "Load it again.");
  jobs::BathAct act;
  act.what = found->second;
  act.state = n[0];
  act.clock = form->number("clock");
  act.bite = form->number("bite");
  act.temperature = form->text("temperature");
  act.note = form->text("note");
  act.today = today();
  return from(jobs::bath_act(o_.studio, act, o_.wall_ms()));
}

}  // namespace rebite::page
