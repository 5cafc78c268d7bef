// Runs the built program as a process of its own under limits and faults, and says how it ended.
#pragma once

#include <chrono>
#include <filesystem>
#include <map>
#include <optional>
#include <string>
#include <vector>

namespace rebite::faults {

struct Conditions {
  std::string fault = {};  // REBITE_FAULT of shim.cpp; empty: the shim is not loaded
  std::filesystem::path count_to = {};
  std::string spare = {};  // REBITE_FAULT_SPARE of shim.cpp
  std::map<std::string, std::string> environment = {};  // added to a small fixed one
  std::vector<std::string> without = {};                // taken out of it
  std::filesystem::path folder = {};                    // to run in; empty: here
  std::string stdout_to = {};                           // a file, or "closed"; empty: caught
  std::string stderr_to = {};
  std::size_t max_memory = 0;  // RLIMIT_AS in bytes; 0: none
  std::size_t max_file = 0;    // RLIMIT_FSIZE
  bool as_nobody = false;      // root may write anywhere: run as user 65534 instead where root
  std::optional<std::chrono::microseconds> signal_after = {};
  int signal = 9;
  std::chrono::seconds give_up{240};  // killed and reported as hung after this
};

struct Ended {
  int code = -1;   // exit code; -1 when a signal ended it
  int signal = 0;  // that signal
  bool hung = false;
  std::string out, err;
  double seconds = 0;      // as the clock on the wall says
  double own_seconds = 0;  // of processor time
  long peak_kib = 0;  // resident
};

Ended run_program(const std::vector<std::string>& arguments, const Conditions& conditions = {});

// How often each kind of call of shim.cpp happens in a run without faults.
std::map<std::string, long> count_calls(const std::vector<std::string>& arguments,
                                        Conditions conditions = {});

// Names (relative) and bytes of all files under a folder, hidden ones too; folders as "name/".
using Snapshot = std::map<std::string, std::string>;
Snapshot snapshot(const std::filesystem::path& folder);

// A folder of its own inside the build tree, removed at the end.
class WorkFolder {
 public:
  WorkFolder();
  ~WorkFolder();
  WorkFolder(const WorkFolder&) = delete;
  WorkFolder& operator=(const WorkFolder&) = delete;
  std::filesystem::path operator/(const std::string& name) const { return path_ / name; }
  const std::filesystem::path& path() const { return path_; }
  void clear() const;

 private:
  std::filesystem::path path_;
};

// The small studio that make_material rendered: 40 x 30 mm at 200 dpi, wedge, grey scale.
std::string material(const std::string& name);
std::string read_all(const std::filesystem::path& file);
void put(const std::filesystem::path& file, const std::string& bytes);

}  // namespace rebite::faults
