// What the page answers, without any socket: the fixed table of routes and what stands behind each.
#pragma once

#include <atomic>
#include <functional>
#include <map>
#include <memory>
#include <mutex>
#include <variant>

#include "jobs/plan_desk.h"
#include "page/form.h"
#include "page/guard.h"
#include "page/work.h"

namespace rebite::page {

// Takes a request's body piece by piece, then answers.
class Sink {
 public:
  virtual ~Sink() = default;
  virtual std::optional<Response> take(std::string_view piece) = 0;  // a refusal ends it
  virtual Response done() = 0;
};

struct RoomOptions {
  jobs::Studio studio;
  unsigned short port = 0;
  Keys keys;
  std::function<std::int64_t()> wall_ms;  // milliseconds since 1970-01-01 UTC
  std::uint64_t most_scan_bytes = std::uint64_t{1} << 30;
  std::size_t most_body_bytes = std::size_t{1} << 20;
};

class Room {
 public:
  explicit Room(RoomOptions options);
  ~Room();

  // `head`: everything but the body. Either answers at once or takes the body.
  using Begun = std::variant<Response, std::unique_ptr<Sink>>;
  Begun begin(Request head);
  const RoomOptions& options() const { return o_; }
  Work& work() { return work_; }

  using Numbers = std::vector<std::int64_t>;  // of an address
  using Handler = Response (Room::*)(const Request&, const Numbers&);
  // A scan that was handed in. Its file goes with the last that holds it: what was used is kept
  // elsewhere.
  struct Scan {
    std::filesystem::path file;
    std::string name;  // as the user calls it
    Scan(std::filesystem::path at, std::string called)
        : file(std::move(at)), name(std::move(called)) {}
    ~Scan();
    Scan(const Scan&) = delete;
    Scan& operator=(const Scan&) = delete;
  };
  using HeldScan = std::shared_ptr<const Scan>;
  // Its number. Where too many wait, the one that waited longest is let go.
  std::int64_t add_scan(HeldScan scan);

  // The local day, and the local time with its offset from UTC: a bite late in the evening is of
  // that evening.
  std::string today() const;
  std::string now_text() const;

 private:
  struct Route {
    const char* method;
    const char* path;  // segments; '#' stands for a whole number
    Handler handler;
  };
  static const std::vector<Route>& routes();
  const Route* find(std::string_view method, std::string_view path, Numbers& numbers, bool& known);

  Response book(const Request&, const Numbers&);
  Response plate(const Request&, const Numbers&);
  Response batch(const Request&, const Numbers&);
  Response scanners(const Request&, const Numbers&);
  Response scanner(const Request&, const Numbers&);
  Response new_scanner(const Request&, const Numbers&);
  Response take_scanner(const Request&, const Numbers&);
  Response new_batch(const Request&, const Numbers&);
  Response new_state(const Request&, const Numbers&);
  Response work_of(const Request&, const Numbers&);
  Response stop_work(const Request&, const Numbers&);
  Response plan(const Request&, const Numbers&);
  Response change_plan(const Request&, const Numbers&);
  Response undo_plan(const Request&, const Numbers&);
  Response redo_plan(const Request&, const Numbers&);
  Response plan_file(const Request&, const Numbers&);
  Response baths(const Request&, const Numbers&);
  Response bath(const Request&, const Numbers&);
  Response bath_act(const Request&, const Numbers&);
  Response keys(const Request&, const Numbers&);
  Response picture(std::string_view path);
  Response answer_of(const Result<jobs::PlanDesk::Answer>& answer);

  // Answers and refusals; nothing in them tells where on this machine anything lies.
  Response from(const Result<std::string>& json) const;
  Response told(const Problem& problem) const;
  Response started(const Result<int>& id) const;  // of the work

  Result<HeldScan> scan_of(std::int64_t id);

  RoomOptions o_;
  Names ours_;  // folders, to be left out of answers
  jobs::PlanDesk desk_;
  std::mutex mutex_;  // of scans_
  std::map<std::int64_t, HeldScan> scans_;
  std::int64_t last_scan_ = 0;
  Work work_;
};

// A file of the page itself (index.html, scripts, styles); null: there is none of that name.
struct Asset {
  std::string_view bytes;
  const char* type;
};
std::optional<Asset> asset(std::string_view name);

}  // namespace rebite::page
