#include "tests/faults/commands.h"

#include <algorithm>
#include <csignal>
#include <filesystem>
#include <sstream>
#include <stdexcept>

namespace rebite::faults {
namespace fs = std::filesystem;
namespace {

constexpr const char* drawing_libraries = "libcairo,libpixman-1,libfreetype";

std::vector<std::string> wedge_arguments(const std::string& out) {
  return {
      "wedge", material("wedge.tif"), "--times", "0s,30s,1min,2min,4min,8min,16min", "--out", out};
}

// Made once per process and kept with the material: the batch that the plan reads.
std::string batch_file() {
  static const std::string file = [] {
    const std::string made = material("ferric.batch.json");
    if (fs::exists(made)) return made;
    const WorkFolder aside;
    const auto done = run_program(wedge_arguments((aside / "ferric.batch.json").string()));
    if (done.code != 0) throw std::runtime_error("wedge: " + done.err);
    fs::rename(aside / "ferric.batch.json", made);
    return made;
  }();
  return file;
}

// A book with a plate, as a material: what copies or exports it only reads it.
std::string book_file() {
  static const std::string file = [] {
    const std::string made = material("studio.sqlite");
    if (fs::exists(made)) return made;
    const WorkFolder aside;
    const std::string fresh = (aside / "studio.sqlite").string();
    const auto done =
        run_program({"book", "plate", "Lock in snow", "--size", "40x30", "--book", fresh});
    if (done.code != 0) throw std::runtime_error("book: " + done.err);
    fs::rename(fresh, made);
    return made;
  }();
  return file;
}

std::string told_by_book(const fs::path& book) {
  std::string all;
  for (const std::vector<std::string>& what : {std::vector<std::string>{"list"},
                                               {"show", "An older plate"},
                                               {"show", "Lock in snow"}}) {
    std::vector<std::string> words{"book"};
    words.insert(words.end(), what.begin(), what.end());
    words.insert(words.end(), {"--book", book.string()});
    const auto said = run_program(words);
    all += std::to_string(said.code) + said.out;
  }
  return all;
}

bool says_nothing_written(const Ended& ended) {
  return ended.err.find("Nothing was written") != std::string::npos;
}

bool failed_as_promised(int code) { return code == 66 || code == 73 || code == 74; }

std::string short_list(const Snapshot& files) {
  std::string text;
  for (const auto& [name, bytes] : files) {
    text += " " + name + "(" + std::to_string(bytes.size()) + ")";
  }
  return text;
}

}  // namespace

const std::vector<Command>& commands() {
  static const std::vector<Command> all{
      {"scanner",
       {"scanner",
        material("greys.tif"),
        "--densities",
        "0.07,0.30,0.62,1.00,1.42,1.65",
        "--out",
        "{}/studio.scanner.json"},
       {"studio.scanner.json"}},
      {"wedge", wedge_arguments("{}/ferric.batch.json"), {"ferric.batch.json"}},
      {"read", {"read", material("proof.tif"), "--at", "150,150", "--json"}, {}},
      {"align",
       {"align",
        material("proof.tif"),
        material("drawing.tif"),
        "--plate",
        "40x30",
        "--picture",
        "{}/match.png"},
       {"match.png"}},
      {"copy", {"book", "copy", "{}/copy.sqlite", "--book", book_file()}, {}},
      {"export", {"book", "export", "{}/all", "--book", book_file()}, {}},
      {"report",
       {"book", "show", "Lock in snow", "--html", "{}/story.html", "--book", book_file()},
       {"story.html"}},
      {"plan",
       {"plan",
        material("proof.tif"),
        material("drawing.tif"),
        "--batch",
        batch_file(),
        "--plate",
        "40x30",
        "--out",
        "{}/plan"},
       {"plan/plan.json", "plan/map.png", "plan/notes.txt"}},
      {"book",
       {"book", "plate", "Lock in snow", "--size", "40x30", "--book", "{}/book.sqlite"},
       {"book.sqlite"},
       true},
      {"recorded",
       {"plan",
        material("proof.tif"),
        material("drawing.tif"),
        "--batch",
        batch_file(),
        "--plate",
        "40x30",
        "--out",
        "{}/plan",
        "--record",
        "Lock in snow",
        "--book",
        "{}/book.sqlite"},
       {"plan/plan.json", "plan/notes.txt"},
       true}};
  return all;
}

const Command& command(const std::string& name) {
  return *std::ranges::find(commands(), name, &Command::name);
}

Conditions failing_allocation(long n, const std::string& and_later) {
  return {.fault = "alloc:" + std::to_string(n) + and_later + ":12", .spare = drawing_libraries};
}

Trial::Trial(const Command& command) : command_(command) {
  for (std::string word : command_.arguments) {
    if (const auto at = word.find("{}"); at != std::string::npos) {
      word.replace(at, 2, work_.path().string());
    }
    arguments_.push_back(word);
  }
  if (command_.book) {
    const auto made = run_program({"book",
                                   "plate",
                                   "An older plate",
                                   "--size",
                                   "50x40",
                                   "--book",
                                   (work_ / "book.sqlite").string()});
    if (made.code != 0) throw std::runtime_error("book: " + made.err);
  }
  for (const auto& name : command_.old) {
    if (fs::exists(work_ / name)) continue;
    fs::create_directories((work_ / name).parent_path());
    put(work_ / name, name.ends_with("plan.json") ? R"({"format":"rebite-plan"})" : "old " + name);
  }
  before_ = snapshot(work_.path());
  clean_ = run_program(arguments_);
  if (clean_.code != 0) throw std::runtime_error(command_.name + ": " + clean_.err);
  after_ = snapshot(work_.path());
  if (command_.book) told_after_ = told_by_book(work_ / "book.sqlite");
}

void Trial::reset() {
  work_.clear();
  for (const auto& [name, bytes] : before_) {
    if (name.ends_with('/')) {
      fs::create_directories(work_ / name);
    } else {
      put(work_ / name, bytes);
    }
  }
}

std::map<std::string, long> Trial::counts() {
  reset();
  return count_calls(arguments_, {});
}

long Trial::allocations() {
  reset();
  return count_calls(arguments_, {.spare = drawing_libraries}).at("alloc");
}

// Each folder beside the book is the old one or the complete new one, file by file. What a killed
// run was still making has a name of its own (".rebite-tmp-", "new-PID-N"), is no output, and later
// runs sweep it.
std::string Trial::judge_folders(const Snapshot& now, bool killed) const {
  const auto of = [](const Snapshot& all, const std::string& folder) {
    Snapshot part;
    for (const auto& [name, bytes] : all) {
      if (name.starts_with(folder) && !name.ends_with('/')) part[name] = bytes;
    }
    return part;
  };
  const auto hidden = [](const std::string& name) {
    return name.starts_with(".rebite-tmp-") || name.find("/.rebite-tmp-") != std::string::npos ||
           name.starts_with("book-studio/plans/new-");
  };
  Snapshot seen = now;
  if (killed) std::erase_if(seen, [&](const auto& f) { return hidden(f.first); });
  for (const auto& [name, bytes] : seen) {
    // A journal that stays lets the next opening take the unfinished write back.
    if (name != "book.sqlite-journal" && !after_.contains(name) && !before_.contains(name)) {
      return "left behind: " + name;
    }
  }
  for (const std::string folder : {"plan/", "book-studio/"}) {
    const Snapshot part = of(seen, folder);
    if (part != of(before_, folder) && part != of(after_, folder)) {
      return "neither old nor new:" + short_list(part);
    }
  }
  return "";
}

std::string Trial::judge_book(const Ended& ended, bool killed) const {
  const fs::path book = work_ / "book.sqlite";
  const Snapshot now = snapshot(work_.path());
  const std::string beside = judge_folders(now, killed);
  if (!beside.empty()) return beside;
  if (says_nothing_written(ended) && now.contains("plan/plan.json") &&
      now.at("plan/plan.json") == after_.at("plan/plan.json")) {
    return "it says that nothing was written, but the plan is there";
  }
  const auto check = run_program({"book", "check", "--book", book.string()});
  if (check.code != 0) return "the book is hurt: " + check.out + check.err;
  const std::string told = told_by_book(book);
  if (told == told_after_) return "";
  put(work_ / "was", before_.at("book.sqlite"));
  if (told != told_by_book(work_ / "was")) return "the book tells neither old nor new: " + told;
  return ended.code == 0 ? "it said done, but nothing was recorded" : "";
}

std::string Trial::judge(const Ended& ended, const Conditions& conditions) const {
  if (ended.hung) return "hung";
  const bool killed =
      (ended.signal == 9 && (conditions.signal_after || conditions.fault.ends_with("kill"))) ||
      (ended.signal == SIGSEGV && conditions.fault.ends_with("crash"));
  if (ended.signal && !killed) return "ended by signal " + std::to_string(ended.signal);
  if (ended.signal == 0 && ended.code != 0) {
    // SQLite itself calls a page malformed that it could not read in some places.
    const bool sqlite_says =
        command_.arguments.front() == "book" && ended.code == 65 && conditions.fault.starts_with("read");
    if (!failed_as_promised(ended.code) && !sqlite_says &&
        !((conditions.signal_after || conditions.fault.ends_with("stop")) && ended.code > 128)) {
      return "exit code " + std::to_string(ended.code);
    }
    if (ended.err.find("rebite: ") == std::string::npos && conditions.max_file != 1)
      return "no message";
  }
  if (command_.book) return judge_book(ended, killed);

  Snapshot now = snapshot(work_.path());
  if (killed) {  // what a killed run leaves is hidden, and the next run sweeps it
    std::erase_if(now, [](const auto& f) { return f.first.starts_with(".rebite-tmp-"); });
  }
  if (ended.code == 0 && now != after_) return "said done, but wrote:" + short_list(now);
  if (says_nothing_written(ended) && now != before_)
    return "it says that nothing was written, but:" + short_list(now);
  if (now != before_ && now != after_) return "neither old nor new:" + short_list(now);
  if (ended.code == 0 && ended.out != clean_.out && conditions.stdout_to.empty()) {
    return "said something else than without the fault: " + ended.out;
  }
  return "";
}

Trial::Verdict Trial::run(const Conditions& conditions) {
  reset();
  Verdict verdict{run_program(arguments_, conditions), ""};
  verdict.fault = judge(verdict.ended, conditions);
  if (!verdict.fault.empty()) {
    verdict.fault = command_.name + " under " + conditions.fault + ": " + verdict.fault +
                    "\n  code " + std::to_string(verdict.ended.code) +
                    ", said: " + verdict.ended.err;
  }
  return verdict;
}

}  // namespace rebite::faults
