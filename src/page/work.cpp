#include "page/work.h"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

namespace rebite::page {
namespace {
constexpr std::size_t most_waiting = 5;
constexpr int remembered = 50;
}  // namespace

Work::Work() : thread_([this] { run(); }) {}

Work::~Work() {
  stop_all();
  {
    const std::lock_guard lock(mutex_);
    ending_ = true;
  }
  wake_.notify_all();
  thread_.join();
}

Result<int> Work::add(std::string what, Task task) {
  const std::lock_guard lock(mutex_);
  if (waiting_.size() >= most_waiting) {
    return refuse(ProblemKind::usage,
                  fmt::format("{} pieces of work are waiting already", waiting_.size()),
                  "Wait until one is done, or stop one.");
  }
  auto piece = std::make_shared<Piece>();
  piece->what = std::move(what);
  piece->task = std::move(task);
  const int id = ++last_;
  pieces_[id] = std::move(piece);
  waiting_.push_back(id);
  std::erase_if(pieces_, [&](const auto& entry) {
    const auto& s = entry.second->state;
    return entry.first < last_ - remembered && s != "waiting" && s != "running";
  });
  wake_.notify_all();
  return id;
}

std::string Work::look(int id) {
  const std::lock_guard lock(mutex_);
  const auto found = pieces_.find(id);
  if (found == pieces_.end()) return "";
  const Piece& p = *found->second;
  nlohmann::ordered_json j{{"id", id},
                           {"what", p.what},
                           {"state", p.state},
                           {"fraction", p.fraction},
                           {"doing", p.doing}};
  if (!p.result.empty()) j["result"] = nlohmann::ordered_json::parse(p.result, nullptr, false);
  if (p.problem) j["problem"] = {{"what", p.problem->what}, {"next", p.problem->next}};
  return j.dump(-1, ' ', false, nlohmann::ordered_json::error_handler_t::replace);
}

bool Work::stop(int id) {
  const std::lock_guard lock(mutex_);
  const auto found = pieces_.find(id);
  if (found == pieces_.end()) return false;
  found->second->stop.request_stop();
  return true;
}

void Work::stop_all() {
  const std::lock_guard lock(mutex_);
  for (auto& [id, piece] : pieces_) piece->stop.request_stop();
}

void Work::run() {
  std::unique_lock lock(mutex_);
  for (;;) {
    wake_.wait(lock, [this] { return ending_ || !waiting_.empty(); });
    if (ending_) return;
    const auto piece = pieces_.at(waiting_.front());
    waiting_.pop_front();
    piece->state = "running";
    const Progress progress{[this, piece](double fraction, std::string_view doing) {
                              const std::lock_guard inner(mutex_);
                              piece->fraction = fraction;
                              piece->doing = doing;
                            },
                            piece->stop.get_token()};
    lock.unlock();
    const auto result = piece->stop.stop_requested()
                            ? refuse(ProblemKind::stopped, "Stopped.", "Nothing was written.")
                            : piece->task(progress);
    lock.lock();
    piece->task = nullptr;
    if (result) {
      piece->state = "done";
      piece->result = *result;
      piece->fraction = 1;
    } else {
      piece->state = result.error().kind == ProblemKind::stopped ? "stopped" : "refused";
      piece->problem = result.error();
    }
  }
}

}  // namespace rebite::page
