#include "page/room.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <charconv>
#include <ctime>
#include <nlohmann/json.hpp>

#include "jobs/bath_jobs.h"

namespace rebite::page {
namespace {
namespace fs = std::filesystem;
using Json = nlohmann::json;

constexpr std::size_t most_scans = 60;  // handed in per start

Response not_here() {
  return refusal(404, "There is nothing at this address.", "Go back to the plates.");
}

Response from(const Result<std::string>& json) {
  if (!json) return refusal(json.error());
  Response r;
  r.body = *json;
  return r;
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

// Only what the file system can do no harm with; the rest becomes a dash.
std::string harmless(std::string_view name) {
  std::string out;
  for (const char c : name.substr(0, 60)) {
    const bool plain = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9');
    out += plain ? c : '-';
  }
  return out;
}

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

// A request's JSON object with typed access; anything missing or of another kind is refused.
struct Form {
  Json j;
  static Result<Form> of(const Request& r) {
    Form f{Json::parse(r.body, nullptr, false)};
    if (!r.content_type.starts_with("application/json") || !f.j.is_object()) {
      return refuse(
          ProblemKind::usage, "the page sent something that is no form", "Load it again.");
    }
    return f;
  }
  std::string text(const char* key) const {
    const auto found = j.find(key);
    return found != j.end() && found->is_string() ? found->get<std::string>().substr(0, 4000) : "";
  }
  std::int64_t number(const char* key) const {
    const auto found = j.find(key);
    return found != j.end() && found->is_number_integer() ? found->get<std::int64_t>() : 0;
  }
  double real(const char* key) const {
    const auto found = j.find(key);
    return found != j.end() && found->is_number() ? found->get<double>() : 0;
  }
  bool flag(const char* key) const {
    const auto found = j.find(key);
    return found != j.end() && found->is_boolean() && found->get<bool>();
  }
};

// The user's own names in place of ours.
Problem named(Problem p, const std::vector<std::pair<std::string, std::string>>& names) {
  for (const auto& [ours, theirs] : names) {
    for (std::string* text : {&p.what, &p.next}) {
      for (auto at = text->find(ours); at != std::string::npos;
           at = text->find(ours, at + theirs.size())) {
        text->replace(at, ours.size(), theirs);
      }
    }
  }
  return p;
}

Response started(const Result<int>& id) {
  if (!id) return refusal(id.error());
  Response r;
  r.status = 202;
  r.body = Json{{"work", *id}}.dump();
  return r;
}

}  // namespace

// ---- bodies ----

// A small body, then its handler.
class BodySink : public Sink {
 public:
  BodySink(Room& room, Request head, Room::Handler handler, Room::Numbers numbers)
      : room_(room), head_(std::move(head)), handler_(handler), numbers_(std::move(numbers)) {}
  std::optional<Response> take(std::string_view piece) override {
    if (head_.body.size() + piece.size() > room_.o_.most_body_bytes) {
      return refusal(413, "That is more than this page takes.", "Send less.");
    }
    head_.body.append(piece);
    return std::nullopt;
  }
  Response done() override { return (room_.*handler_)(head_, numbers_); }

 private:
  Room& room_;
  Request head_;
  Room::Handler handler_;
  Room::Numbers numbers_;
};

// A scan, straight onto the disk.
class ScanSink : public Sink {
 public:
  ScanSink(Room& room, std::string name) : room_(room), name_(std::move(name)) {
    file_ = room.o_.studio.uploads() / file_name_for(name_, Keys::fresh().page.substr(0, 8));
    fd_ = ::open(file_.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC, 0600);
  }
  ~ScanSink() override {
    if (fd_ >= 0) ::close(fd_);
    if (!kept_) ::unlink(file_.c_str());
  }
  ScanSink(const ScanSink&) = delete;
  ScanSink& operator=(const ScanSink&) = delete;

  std::optional<Response> take(std::string_view piece) override {
    bytes_ += piece.size();
    if (bytes_ > room_.o_.most_scan_bytes) {
      return refusal(413,
                     fmt::format("This scan is larger than {} MB.", room_.o_.most_scan_bytes >> 20),
                     "Scan at 600 dpi or less, in grey.");
    }
    while (fd_ >= 0 && !piece.empty()) {
      const auto n = ::write(fd_, piece.data(), piece.size());
      if (n < 0 && errno == EINTR) continue;
      if (n <= 0) return no_room();
      piece.remove_prefix(static_cast<std::size_t>(n));
    }
    return fd_ < 0 ? std::optional(no_room()) : std::nullopt;
  }
  Response done() override {
    if (fd_ < 0 || ::fsync(fd_) != 0) return no_room();
    const auto facts = jobs::upload_json(file_);
    if (!facts)
      return refusal(
          named(facts.error(),
                {{file_.filename().string(), name_}, {file_.parent_path().string() + "/", ""}}));
    Json j = Json::parse(*facts);
    const std::lock_guard lock(room_.mutex_);
    if (room_.scans_.size() >= most_scans) {
      return refusal(400, "Too many scans were handed in.", "Start rebite page again.");
    }
    kept_ = true;
    const auto id = ++room_.last_scan_;
    room_.scans_[id] = {file_, name_};
    j["scan"] = id;
    j["name"] = name_;
    Response r;
    r.body = j.dump(-1, ' ', false, Json::error_handler_t::replace);
    return r;
  }

 private:
  static Response no_room() {
    return refusal(500,
                   "The scan could not be kept: the disk is full or cannot be written.",
                   "Make room, then hand it in again.");
  }
  Room& room_;
  std::string name_;
  fs::path file_;
  int fd_ = -1;
  std::uint64_t bytes_ = 0;
  bool kept_ = false;
};

// ---- the table ----

Room::Room(RoomOptions options) : o_(std::move(options)), desk_(o_.studio) {}

const std::vector<Room::Route>& Room::routes() {
  static const std::vector<Route> table = {
      {"GET", "/api/keys", &Room::keys},
      {"GET", "/api/book", &Room::book},
      {"GET", "/api/plates/#", &Room::plate},
      {"GET", "/api/batches/#", &Room::batch},
      {"POST", "/api/wedges", &Room::new_batch},
      {"POST", "/api/states", &Room::new_state},
      {"GET", "/api/work/#", &Room::work_of},
      {"POST", "/api/work/#/stop", &Room::stop_work},
      {"GET", "/api/plans/#", &Room::plan},
      {"POST", "/api/plans/#/edits", &Room::change_plan},
      {"POST", "/api/plans/#/undo", &Room::undo_plan},
      {"POST", "/api/plans/#/redo", &Room::redo_plan},
      {"GET", "/api/plans/#/files/#", &Room::plan_file},
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

// ---- pictures: KEY/states/ID/proof|drawing, KEY/plans/ID/LAYER/LEVEL/COL/ROW ----

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

// ---- handlers ----

std::string Room::now_text() const {
  const std::time_t seconds = static_cast<std::time_t>(o_.wall_ms() / 1000);
  std::tm utc{};
  ::gmtime_r(&seconds, &utc);
  char text[32];
  std::strftime(text, sizeof text, "%Y-%m-%dT%H:%M:%SZ", &utc);
  return text;
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

Result<Room::Scan> Room::scan_of(std::int64_t id) {
  const std::lock_guard lock(mutex_);
  const auto found = scans_.find(id);
  if (found != scans_.end()) return found->second;
  return refuse(ProblemKind::data, "a scan is missing", "Hand it in again.");
}

Response Room::new_batch(const Request& r, const Numbers&) {
  const auto form = Form::of(r);
  if (!form) return refusal(form.error());
  jobs::WedgeRequest w;
  std::vector<std::pair<std::string, std::string>> names;
  const auto list = form->j.find("scans");
  if (list != form->j.end() && list->is_array() && list->size() <= 20) {
    for (const auto& id : *list) {
      const auto scan = scan_of(id.is_number_integer() ? id.get<std::int64_t>() : 0);
      if (!scan) return refusal(scan.error());
      w.scans.push_back(scan->file);
      names.emplace_back(scan->file.filename().string(), scan->name);
      names.emplace_back(scan->file.parent_path().string() + "/", "");
    }
  }
  if (w.scans.empty()) return refusal(400, "No scan of the wedge was handed in.", "Choose one.");
  w.times = form->text("times");
  w.dips = form->flag("dips");
  w.name = form->text("name"), w.mordant = form->text("mordant");
  w.strength = form->text("strength"), w.temperature = form->text("temperature");
  w.metal = form->text("metal"), w.ground = form->text("ground");
  w.dpi = form->real("dpi");
  w.date = today();
  return started(work_.add("measuring the wedge", [this, w, names](const Progress& progress) {
    auto done = jobs::new_batch(o_.studio, w, progress);
    return done ? done : Result<std::string>(std::unexpected(named(done.error(), names)));
  }));
}

Response Room::new_state(const Request& r, const Numbers&) {
  const auto form = Form::of(r);
  if (!form) return refusal(form.error());
  const auto proof = scan_of(form->number("proof")), drawing = scan_of(form->number("drawing"));
  if (!proof) return refusal(400, "The proof is missing.", "Hand in a scan of the state proof.");
  if (!drawing) return refusal(400, "The drawing is missing.", "Hand in a scan of the drawing.");
  jobs::NewState s;
  s.plate = form->text("plate"), s.size = form->text("size");
  s.proof = proof->file, s.drawing = drawing->file;
  s.batch = form->number("batch");
  s.kept_ground = form->flag("kept_ground");
  s.temperature = form->text("temperature");
  s.dpi = form->real("dpi");
  s.made_on = now_text();
  std::vector<std::pair<std::string, std::string>> names = {
      {proof->file.parent_path().string() + "/", ""},
      {proof->file.filename().string(), proof->name},
      {drawing->file.filename().string(), drawing->name}};
  return started(work_.add("planning", [this, s, names](const Progress& progress) {
    auto done = jobs::new_state(o_.studio, s, progress);
    return done ? done : Result<std::string>(std::unexpected(named(done.error(), names)));
  }));
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
  if (!answer) return refusal(answer.error());
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
  if (!form) return refusal(form.error());
  const auto list = form->j.find("edits");
  const auto edits = jobs::hand_edits_from_json(list == form->j.end() ? "" : list->dump());
  if (!edits) return refusal(edits.error());
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

Response Room::bath(const Request&, const Numbers& n) {
  return from(jobs::bath_json(o_.studio, n[0], o_.wall_ms()));
}
Response Room::bath_act(const Request& r, const Numbers& n) {
  using What = jobs::BathAct::What;
  const auto form = Form::of(r);
  if (!form) return refusal(form.error());
  static const std::map<std::string, What> acts = {{"start", What::start},
                                                   {"pause", What::pause},
                                                   {"resume", What::resume},
                                                   {"temperature", What::temperature},
                                                   {"pull", What::pull},
                                                   {"call_off", What::call_off}};
  const auto found = acts.find(form->text("do"));
  if (found == acts.end()) return refusal(400, "That is nothing the bath does.", "Load it again.");
  jobs::BathAct act;
  act.what = found->second;
  act.state = n[0];
  act.clock = form->number("clock");
  act.temperature = form->text("temperature");
  act.note = form->text("note");
  act.today = today();
  return from(jobs::bath_act(o_.studio, act, o_.wall_ms()));
}

}  // namespace rebite::page
