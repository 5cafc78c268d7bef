#include <fcntl.h>
#include <fmt/format.h>
#include <sys/stat.h>
#include <sys/xattr.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <map>
#include <mutex>
#include <system_error>

#include "files/files.h"
#include "files/in_place.h"
#include "files/put_whole.h"
#include "files/treasure.h"

namespace rebite::files {
namespace fs = std::filesystem;
namespace {

using Named = std::vector<std::pair<std::string, std::string>>;

bool is_in(const Named& files, std::string_view name) {
  return std::ranges::any_of(files, [&](const auto& f) { return f.first == name; });
}

// A database must not get a second name: its journal is found by the first, and one that was linked
// before a commit would take the commit back.
bool is_of_a_database(const fs::path& file) {
  const std::string name = file.filename().string();
  const auto start = start_of(file);
  return !start || treasure_of(*start) == book_kind || name.ends_with("-journal") ||
         name.ends_with("-wal") || name.ends_with("-shm");
}

// What somebody gave a folder besides its mode: an access list, a comment. (A system's own labels
// are given to any new folder.)
bool has_own_attributes(const fs::path& folder) {
  std::string names(4096, '\0');
  const ssize_t n = ::listxattr(folder.c_str(), names.data(), names.size());
  if (n < 0) return errno != ENOTSUP;
  names.resize(static_cast<std::size_t>(n));
  return names.find("user.") != std::string::npos || names.find("posix_acl") != std::string::npos;
}

// Two folders that are to be swapped: the old one and the one made for its place. What else lies in
// the old one gets a second name in the new one first.
class Swap {
 public:
  Swap(const fs::path& old, const fs::path& fresh, const Named& files)
      : old_(old), fresh_(fresh), files_(files) {}

  // False where they cannot be swapped, or not without a loss: a folder of the user's own, a
  // database, a disk without hard links, rights that cannot be given on, a folder that this process
  // stands in (whoever started it there would be left in a folder that is gone).
  bool prepare(const struct stat& about) {
    std::error_code error;
    if (fs::equivalent(old_, ".", error) || error || has_own_attributes(old_)) return false;
    for (const fs::path& path : paths_in(old_, error)) {
      const std::string name = path.filename().string();
      if (name.starts_with(temporary_mark)) continue;
      struct stat own {};
      if (::lstat(path.c_str(), &own) != 0 || !S_ISREG(own.st_mode)) return false;
      fs::path looked_at = path;
      if (!is_in(files_, name)) {
        looked_at = fresh_ / name;
        if (is_of_a_database(path) || ::link(path.c_str(), looked_at.c_str()) != 0) return false;
      }
      // Of the link: while it is there, no other file gets its number.
      seen_[name] = stamp_of(looked_at);
    }
    return !error && ::chown(fresh_.c_str(), about.st_uid, about.st_gid) == 0 &&
           ::chmod(fresh_.c_str(), about.st_mode & 07777U) == 0 && sync_folder(fresh_) == 0;
  }

  // In one step: a reader sees the old folder or the new one, never a mixture.
  bool make() {
    const std::lock_guard hold(writing_lock());
    if (put_locked(fresh_, old_, RENAME_EXCHANGE) != 0) return false;
    note_written();
    for (int tries = 0; tries < 10 && !emptied(); ++tries) {
    }
    return true;
  }

 private:
  // Removes the old folder, which now has the new one's name.
  bool emptied() noexcept {
    try {
      std::error_code error;
      for (const fs::path& path : paths_in(fresh_, error)) {
        std::string name = path.filename().string();
        // Out of the way first: who saves under that name from now on makes another file of it.
        fs::path aside = path;
        if (name.starts_with(temporary_mark) && seen_.contains(name.substr(temporary_mark.size()))) {
          name = name.substr(temporary_mark.size());  // it was, at the try before
        } else {
          aside = fresh_ / (std::string(temporary_mark) + name);
          if (::rename(path.c_str(), aside.c_str()) != 0) continue;
        }
        const auto seen = seen_.find(name);
        if (seen == seen_.end()) {
          keep_beside(aside, name);
        } else if (seen->second == stamp_of(aside)) {
          ::unlink(aside.c_str());
        } else {
          carry_over(aside, name, seen->second);
        }
      }
    } catch (const std::exception&) {
      return false;  // no memory: tried again, at worst a hidden folder stays
    }
    return ::rmdir(fresh_.c_str()) == 0;
  }

  // What was saved since it was linked takes the link's place. Where that was saved once more since
  // the folders were swapped, the latest stays.
  void carry_over(const fs::path& aside, const std::string& name, const Stamp& seen) {
    if (is_in(files_, name)) return keep_beside(aside, name);
    const fs::path to = old_ / name;
    if (put_locked(aside, to, RENAME_EXCHANGE) != 0) return keep_beside(aside, name);
    if (stamp_of(aside) != seen) put_locked(aside, to, RENAME_EXCHANGE);
    ::unlink(aside.c_str());
  }

  // Under a name that is free.
  void keep_beside(const fs::path& aside, const std::string& name) {
    std::string free = name;
    for (int k = 1; put_locked(aside, old_ / free, RENAME_NOREPLACE) == EEXIST; ++k) {
      free = fmt::format("{}.saved-meanwhile-{}", name, k);
    }
  }

  const fs::path& old_;
  const fs::path& fresh_;
  const Named& files_;
  std::map<std::string, Stamp> seen_;
};

// The files one by one. Everything that needs memory is made beforehand: nothing throws between the
// first file and the last.
class OneByOne {
 public:
  OneByOne(const fs::path& fresh, const fs::path& folder, const Named& files) {
    for (const auto& [name, bytes] : files) steps_.push_back({fresh / name, folder / name});
  }

  // Where one fails, those before are taken back. 0 or the errno. (A disk that cannot swap two files
  // cannot take back either.) Whoever stops the program waits for the last.
  int put() {
    const std::lock_guard hold(writing_lock());
    for (Step& step : steps_) {
      step.swapped = put_locked(step.from, step.to, RENAME_EXCHANGE) == 0;
      if (step.swapped) continue;
      struct stat about {};
      const bool was_there = ::lstat(step.to.c_str(), &about) == 0;
      const int error = put_locked(step.from, step.to, 0);
      if (error != 0) {
        take_back();
        return error;
      }
      step.added = !was_there;
    }
    note_written();
    return 0;
  }

 private:
  struct Step {
    fs::path from, to;
    bool swapped = false, added = false;
  };

  void take_back() {
    for (const Step& step : steps_) {
      if (step.swapped) put_locked(step.from, step.to, RENAME_EXCHANGE);
      if (step.added) ::unlink(step.to.c_str());
    }
  }

  std::vector<Step> steps_;
};

// Where the new folder is made: beside the old one, so that the two can be swapped; in it where
// nothing can be made beside it (a folder of somebody else, the root of a disk).
fs::path place_for_new(const fs::path& target, bool there) {
  struct stat own {}, around {};
  const fs::path parent = folder_of(target);
  const bool beside =
      !there ||
      (::stat(target.c_str(), &own) == 0 && ::stat(parent.c_str(), &around) == 0 &&
       own.st_dev == around.st_dev && ::access(parent.c_str(), W_OK | X_OK) == 0);
  return temporary_beside(beside ? target : target / "new");
}

// 0 or the errno.
int fill(const fs::path& fresh, const Named& files) {
  if (const int error = make_folder(fresh)) return error;
  for (const auto& [name, bytes] : files) {
    if (const int error = write_new(fresh / name, bytes)) return error;
  }
  return sync_folder(fresh);
}

}  // namespace

Result<void> write_folder(const fs::path& folder, const Named& files) {
  const auto resolved = behind_link(folder.has_filename() ? folder : folder.parent_path());
  if (!resolved) return std::unexpected(resolved.error());
  const fs::path& target = *resolved;
  if (target.empty()) return cannot_create(folder, ENOENT);
  std::error_code unknown;
  for (const auto& [name, bytes] : files) {
    if (fs::is_directory(target / name, unknown)) return cannot_create(target / name, EISDIR);
    if (auto ok = may_replace(target / name, bytes); !ok) return ok;
  }
  struct stat about {};
  const bool there = ::stat(target.c_str(), &about) == 0;
  if (there && !S_ISDIR(about.st_mode)) return cannot_create(folder, ENOTDIR);

  TemporaryFolder fresh(place_for_new(target, there));
  if (const int error = fill(fresh.path(), files)) return cannot_create(folder, error);
  if (!there) {
    if (const int error = put_in_place(fresh.path(), target)) return cannot_create(folder, error);
    fresh.give();
  } else if (Swap swap(target, fresh.path(), files); swap.prepare(about) && swap.make()) {
    fresh.give();
  } else {
    if (const int error = OneByOne(fresh.path(), target, files).put()) {
      return cannot_create(folder, error);
    }
    if (const int error = sync_folder(target)) return cannot_create(folder, error);
    return {};
  }
  if (const int error = sync_folder(folder_of(target))) return cannot_create(folder, error);
  return {};
}

}  // namespace rebite::files
