// Long work, one piece after the other on one thread, with progress and a way to stop it.
#pragma once

#include <condition_variable>
#include <deque>
#include <functional>
#include <map>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <thread>

#include "units/problem.h"
#include "units/progress.h"

namespace rebite::page {

class Work {
 public:
  using Task = std::function<Result<std::string>(const Progress&)>;  // answers JSON

  Work();
  ~Work();  // asks what is running to stop and waits for it

  // Refuses (usage) when five are waiting already.
  Result<int> add(std::string what, Task task);
  // {"id","what","state":"waiting|running|done|refused|stopped","fraction","doing","result",
  //  "problem":{"what","next"}}; empty: no such work. What ended is remembered until 50 more ended.
  std::string look(int id);
  bool stop(int id);
  void stop_all();

 private:
  struct Piece {
    std::string what, state = "waiting", doing;
    double fraction = 0;
    Task task;
    std::stop_source stop;
    std::string result;
    std::optional<Problem> problem;
  };
  void run();

  std::mutex mutex_;
  std::condition_variable wake_;
  std::map<int, std::shared_ptr<Piece>> pieces_;
  std::deque<int> waiting_;
  int last_ = 0;
  bool ending_ = false;
  std::thread thread_;
};

}  // namespace rebite::page
