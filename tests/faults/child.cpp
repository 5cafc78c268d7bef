#include "tests/faults/child.h"

#include <fcntl.h>
#include <signal.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <atomic>
#include <cstdlib>
#include <fstream>
#include <iterator>
#include <sstream>
#include <stdexcept>
#include <thread>

namespace rebite::faults {
namespace fs = std::filesystem;
namespace {

void direct(int fd, const std::string& file) {
  if (file == "closed") {
    ::close(fd);
    return;
  }
  const int opened = ::open(file.c_str(), O_WRONLY | O_CREAT | O_TRUNC, 0600);
  if (opened < 0 || ::dup2(opened, fd) < 0) ::_exit(126);
  ::close(opened);
}

void limit(int what, std::size_t bytes) {
  if (!bytes) return;
  const rlimit both{bytes, bytes};
  ::setrlimit(what, &both);
}

std::vector<std::string> environment_of(const Conditions& conditions) {
  std::map<std::string, std::string> all{{"PATH", "/usr/bin:/bin"},
                                         {"HOME", "/tmp"},
                                         {"TMPDIR", "/tmp"},
                                         {"LC_ALL", "C"},
                                         {"LOCPATH", REBITE_FAULTS_DIR "/locales"},
                                         {"SOURCE_DATE_EPOCH", "1700000000"}};
  for (const char* name : {"ASAN_OPTIONS", "TSAN_OPTIONS"}) {
    if (const char* value = std::getenv(name)) all[name] = value;
  }
  if (!conditions.fault.empty() || !conditions.count_to.empty()) {
    all["LD_PRELOAD"] = REBITE_SHIM;
    all["REBITE_FAULT"] = conditions.fault;
    all["REBITE_FAULT_UNDER"] = REBITE_FAULTS_DIR;
    if (!conditions.spare.empty()) all["REBITE_FAULT_SPARE"] = conditions.spare;
    if (!conditions.count_to.empty()) all["REBITE_FAULT_COUNT"] = conditions.count_to.string();
  }
  for (const auto& [name, value] : conditions.environment) all[name] = value;
  for (const auto& name : conditions.without) all.erase(name);
  std::vector<std::string> lines;
  for (const auto& [name, value] : all) lines.push_back(name + "=" + value);
  return lines;
}

std::vector<char*> pointers(std::vector<std::string>& words) {
  std::vector<char*> all;
  for (auto& w : words) all.push_back(w.data());
  all.push_back(nullptr);
  return all;
}

}  // namespace

Ended run_program(const std::vector<std::string>& arguments, const Conditions& conditions) {
  using Clock = std::chrono::steady_clock;
  static std::atomic<int> serial{0};
  const std::string base =
      fs::temp_directory_path() /
      ("rebite-child-" + std::to_string(::getpid()) + "-" + std::to_string(serial++));
  const std::string out = conditions.stdout_to.empty() ? base + ".out" : conditions.stdout_to;
  const std::string err = conditions.stderr_to.empty() ? base + ".err" : conditions.stderr_to;
  std::vector<std::string> words{REBITE_PROGRAM};
  words.insert(words.end(), arguments.begin(), arguments.end());
  std::vector<std::string> environment = environment_of(conditions);
  const auto argv = pointers(words);
  const auto envp = pointers(environment);
  const auto start = Clock::now();
  const pid_t child = ::fork();
  if (child < 0) throw std::runtime_error("fork");
  if (child == 0) {
    direct(STDOUT_FILENO, out);
    direct(STDERR_FILENO, err);
    if (!conditions.folder.empty() && ::chdir(conditions.folder.c_str()) != 0) ::_exit(126);
    limit(RLIMIT_AS, conditions.max_memory);
    limit(RLIMIT_FSIZE, conditions.max_file);
    limit(RLIMIT_CORE, 1);
    if (conditions.as_nobody && ::geteuid() == 0 && ::setuid(65534) != 0) ::_exit(126);
    ::execve(argv[0], argv.data(), envp.data());
    ::_exit(127);
  }
  Ended ended;
  int status = 0;
  rusage used{};
  bool signalled = false;
  while (::wait4(child, &status, WNOHANG, &used) == 0) {
    const auto spent = Clock::now() - start;
    if (conditions.signal_after && !signalled && spent >= *conditions.signal_after) {
      ::kill(child, conditions.signal);
      signalled = true;
    }
    if (spent > conditions.give_up) {
      ended.hung = true;
      ::kill(child, SIGKILL);
    }
    std::this_thread::sleep_for(std::chrono::microseconds(500));
  }
  ended.seconds = std::chrono::duration<double>(Clock::now() - start).count();
  ended.peak_kib = used.ru_maxrss;
  const auto seconds = [](const timeval& t) {
    return static_cast<double>(t.tv_sec) + 1e-6 * static_cast<double>(t.tv_usec);
  };
  ended.own_seconds = seconds(used.ru_utime) + seconds(used.ru_stime);
  if (WIFEXITED(status)) ended.code = WEXITSTATUS(status);
  if (WIFSIGNALED(status)) ended.signal = WTERMSIG(status);
  if (conditions.stdout_to.empty()) {
    ended.out = read_all(out);
    fs::remove(out);
  }
  if (conditions.stderr_to.empty()) {
    ended.err = read_all(err);
    fs::remove(err);
  }
  return ended;
}

std::map<std::string, long> count_calls(const std::vector<std::string>& arguments,
                                        Conditions conditions) {
  const WorkFolder aside;
  conditions.count_to = aside / "counts";
  const Ended ended = run_program(arguments, conditions);
  if (ended.code != 0) throw std::runtime_error("the run without faults failed: " + ended.err);
  std::map<std::string, long> counts;
  std::istringstream lines(read_all(conditions.count_to));
  std::string name;
  long n = 0;
  while (lines >> name >> n) counts[name] = n;
  if (counts.empty()) throw std::runtime_error("the shim was not loaded");
  return counts;
}

Snapshot snapshot(const fs::path& folder) {
  Snapshot all;
  for (const auto& entry : fs::recursive_directory_iterator(folder)) {
    const std::string name = fs::relative(entry.path(), folder).string();
    if (entry.is_directory()) {
      all[name + "/"];
    } else {
      all[name] = read_all(entry.path());
    }
  }
  return all;
}

WorkFolder::WorkFolder() {
  static std::atomic<int> serial{0};
  path_ = fs::path(REBITE_FAULTS_DIR) /
          ("work-" + std::to_string(::getpid()) + "-" + std::to_string(serial++));
  fs::create_directories(path_);
}

WorkFolder::~WorkFolder() {
  std::error_code ignored;
  fs::remove_all(path_, ignored);
}

void WorkFolder::clear() const {
  fs::remove_all(path_);
  fs::create_directories(path_);
}

std::string material(const std::string& name) {
  return (fs::path(REBITE_FAULTS_DIR) / "material" / name).string();
}

std::string read_all(const fs::path& file) {
  std::ifstream in(file, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}

void put(const fs::path& file, const std::string& bytes) {
  std::ofstream(file, std::ios::binary | std::ios::trunc) << bytes;
}

}  // namespace rebite::faults
