#include "files/files.h"

#include <dirent.h>
#include <fcntl.h>
#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <cerrno>
#include <chrono>
#include <cstring>
#include <map>
#include <memory>
#include <mutex>
#include <set>
#include <system_error>

#include "files/put_whole.h"

namespace rebite::files {
namespace fs = std::filesystem;
namespace {

constexpr std::string_view temporary_mark = ".rebite-tmp-";

// A file descriptor that closes itself.
class Descriptor {
 public:
  explicit Descriptor(int fd) : fd_(fd) {}
  ~Descriptor() {
    if (fd_ >= 0) ::close(fd_);
  }
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  int get() const { return fd_; }
  bool open() const { return fd_ >= 0; }
  int close() {
    const int done = ::close(fd_);
    fd_ = -1;
    return done;
  }

 private:
  int fd_;
};

std::unexpected<Problem> cannot_create(const fs::path& file, int error) {
  if (error == ENOSPC || error == EDQUOT || error == EIO || error == EFBIG) {
    return refuse(ProblemKind::io,
                  fmt::format("{}: writing failed: {}", shown(file), std::strerror(error)),
                  "Free some space on that disk or choose another folder, then run it again.");
  }
  return refuse(ProblemKind::cannot_create,
                fmt::format("{}: cannot be created: {}", shown(file), std::strerror(error)),
                "Choose a folder that exists and that you may write to.");
}

fs::path folder_of(const fs::path& file) {
  const fs::path parent = file.parent_path();
  return parent.empty() ? fs::path(".") : parent;
}

// Temporaries that exist right now. The lock is held over each step that puts one on the list,
// makes it, renames it into place or takes it off: abandon_writing() keeps it for ever, so that
// none of these happens after it.
struct Unfinished {
  std::mutex lock;
  std::set<fs::path> paths;
};
Unfinished& unfinished() {
  static Unfinished all;
  return all;
}

// One temporary file or folder; taken off the list when it is renamed into place or removed.
class Temporary {
 public:
  explicit Temporary(fs::path path) : path_(std::move(path)) {
    const std::lock_guard hold(unfinished().lock);
    unfinished().paths.insert(path_);
  }
  ~Temporary() {
    const std::lock_guard hold(unfinished().lock);
    unfinished().paths.erase(path_);
  }
  Temporary(const Temporary&) = delete;
  Temporary& operator=(const Temporary&) = delete;
  const fs::path& path() const { return path_; }

 private:
  fs::path path_;
};

bool write_all(int fd, std::string_view bytes) {
  while (!bytes.empty()) {
    const ssize_t n = ::write(fd, bytes.data(), bytes.size());
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) {
      if (n == 0) errno = ENOSPC;
      return false;
    }
    bytes.remove_prefix(static_cast<std::size_t>(n));
  }
  return true;
}

// 0 or the errno. A folder's fsync makes the rename last through a power cut.
int sync_folder(const fs::path& folder) {
  Descriptor dir(::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC));
  if (!dir.open()) return errno;
  if (::fsync(dir.get()) != 0 && errno != EINVAL && errno != ENOTSUP) return errno;
  return 0;
}

int make_new(const fs::path& file) {
  const std::lock_guard hold(unfinished().lock);
  return ::open(file.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0644);
}

int make_folder(const fs::path& folder) {
  const std::lock_guard hold(unfinished().lock);
  return ::mkdir(folder.c_str(), 0755) == 0 ? 0 : errno;
}

constexpr std::string_view book_kind = "a record book";

// The format that one of Rebite's JSON files names in its first member; empty for another file.
std::string_view json_format(std::string_view start) {
  const auto passed = [&](std::string_view wanted) {
    start.remove_prefix(std::min(start.find_first_not_of(" \t\r\n"), start.size()));
    if (!start.starts_with(wanted)) return false;
    start.remove_prefix(wanted.size());
    return true;
  };
  if (!passed("{") || !passed("\"format\"") || !passed(":") || !passed("\"")) return {};
  const auto format = start.substr(0, start.find('"'));
  return format.starts_with("rebite-") ? format : std::string_view();
}

// What a file is by its first bytes, where losing it would cost work: a scan, a record book, or what
// Rebite measured (a batch's curve costs a wedge). Empty for any other.
std::string treasure_of(std::string_view start) {
  using namespace std::string_view_literals;
  if (start.starts_with("SQLite format 3\0"sv)) return std::string(book_kind);
  if (start.starts_with("\x89PNG\r\n"sv)) return "a PNG picture";
  if (start.starts_with("\xff\xd8\xff"sv)) return "a JPEG picture";
  for (const auto tiff : {"II*\0"sv, "MM\0*"sv, "II+\0"sv, "MM\0+"sv}) {
    if (start.starts_with(tiff)) return "a TIFF picture";
  }
  const auto format = json_format(start);
  return format.empty() ? "" : fmt::format("a file of the kind {}", format);
}

// The first bytes, none where there is no such file. Refused where they cannot be read.
Result<std::string> start_of(const fs::path& file) {
  Descriptor in(::open(file.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK));
  std::string start(64, '\0');
  const ssize_t n = in.open() ? ::read(in.get(), start.data(), start.size()) : -1;
  if (n < 0 && errno == ENOENT) return std::string();
  if (n < 0) return cannot_create(file, errno);
  start.resize(static_cast<std::size_t>(n));
  return start;
}

// Writes a new file and syncs it. 0 or the errno; nothing is left behind on failure.
int write_new(const fs::path& file, std::string_view bytes) {
  Descriptor out(make_new(file));
  if (!out.open()) return errno;
  if (write_all(out.get(), bytes) && ::fsync(out.get()) == 0 && out.close() == 0) return 0;
  const int error = errno;
  ::unlink(file.c_str());
  return error;
}

std::atomic<bool> put_something{false};

// rename, or the two swapped with RENAME_EXCHANGE. 0 or the errno. The lock must be held.
int put_locked(const fs::path& from, const fs::path& to, unsigned flags) {
  return ::renameat2(AT_FDCWD, from.c_str(), AT_FDCWD, to.c_str(), flags) == 0 ? 0 : errno;
}

int put_in_place(const fs::path& from, const fs::path& to, bool asked_for = true) {
  const std::lock_guard hold(unfinished().lock);
  const int error = put_locked(from, to, 0);
  if (error == 0 && asked_for) put_something = true;
  return error;
}

void remove_quietly(const fs::path& path) {
  std::error_code failed;
  fs::remove_all(path, failed);
  if (failed) fs::remove_all(path, failed);  // a folder that could not be opened once
}

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
    if (fs::equivalent(old_, ".", error) || error) return false;
    for (const fs::path& path : paths_in(old_, error)) {
      const std::string name = path.filename().string();
      if (is_in(files_, name) || name.starts_with(temporary_mark)) continue;
      struct stat own {};
      if (::lstat(path.c_str(), &own) != 0 || !S_ISREG(own.st_mode) || is_of_a_database(path) ||
          ::link(path.c_str(), (fresh_ / name).c_str()) != 0) {
        return false;
      }
      linked_[name] = own.st_ino;
    }
    return !error && ::chown(fresh_.c_str(), about.st_uid, about.st_gid) == 0 &&
           ::chmod(fresh_.c_str(), about.st_mode & 07777U) == 0 && sync_folder(fresh_) == 0;
  }

  // In one step: a reader sees the old folder or the new one, never a mixture.
  bool make() {
    const std::lock_guard hold(unfinished().lock);
    if (put_locked(fresh_, old_, RENAME_EXCHANGE) != 0) return false;
    put_something = true;
    for (int tries = 0; tries < 3 && !emptied(); ++tries) {
    }
    return true;
  }

 private:
  // Removes the old folder, which now has the new one's name. What was saved there after it was
  // linked is carried over.
  bool emptied() noexcept {
    try {
      std::error_code error;
      for (const fs::path& path : paths_in(fresh_, error)) {
        const std::string name = path.filename().string();
        struct stat own {};
        if (::lstat(path.c_str(), &own) != 0) continue;
        const auto linked = linked_.find(name);
        const bool stays = linked != linked_.end() && linked->second == own.st_ino;
        if (stays || is_in(files_, name)) {
          ::unlink(path.c_str());
        } else {
          ::rename(path.c_str(), (old_ / name).c_str());
        }
      }
    } catch (const std::exception&) {  // no memory: tried again, at worst a hidden folder stays
    }
    return ::rmdir(fresh_.c_str()) == 0;
  }

  const fs::path& old_;
  const fs::path& fresh_;
  const Named& files_;
  std::map<std::string, ino_t> linked_;
};

// One after the other; where one fails, those before are taken back. 0 or the errno. (A disk that
// cannot swap two files cannot take back either.) Whoever stops the program waits for the last.
int put_each_in_place(const fs::path& fresh, const fs::path& folder, const Named& files) {
  const std::lock_guard hold(unfinished().lock);
  std::vector<std::string> swapped, added;
  for (const auto& [name, bytes] : files) {
    const fs::path from = fresh / name, to = folder / name;
    if (put_locked(from, to, RENAME_EXCHANGE) == 0) {
      swapped.push_back(name);
      continue;
    }
    std::error_code unknown;
    const bool was_there = fs::exists(to, unknown);
    const int error = put_locked(from, to, 0);
    if (error == 0) {
      if (!was_there) added.push_back(name);
      continue;
    }
    for (const auto& done : swapped) put_locked(fresh / done, folder / done, RENAME_EXCHANGE);
    for (const auto& done : added) ::unlink((folder / done).c_str());
    return error;
  }
  put_something = true;
  return 0;
}

// Where the new folder is made: beside the old one, so that the two can be swapped; in it where
// nothing can be made beside it (a folder of somebody else, the root of a disk).
fs::path place_for_new(const fs::path& target, bool there) {
  struct stat own {}, around {};
  const fs::path parent = folder_of(target);
  const bool beside = !there || (::stat(target.c_str(), &own) == 0 &&
                                 ::stat(parent.c_str(), &around) == 0 &&
                                 own.st_dev == around.st_dev &&
                                 ::access(parent.c_str(), W_OK | X_OK) == 0);
  return temporary_beside(beside ? target : target / "new");
}

}  // namespace

std::string shown(const fs::path& file) {
  std::string text = file.string();
  for (char& c : text) {
    if (static_cast<unsigned char>(c) < 0x20 || c == 0x7f) c = '?';
  }
  // U+0080 to U+009F are C2 80 to C2 9F; U+202A to U+202E and U+2066 to U+2069 turn the line round.
  for (std::size_t i = 0; i + 1 < text.size(); ++i) {
    const auto at = [&](std::size_t k) {
      return static_cast<unsigned char>(k < text.size() ? text[k] : 0);
    };
    if (at(i) == 0xc2 && at(i + 1) >= 0x80 && at(i + 1) < 0xa0) text.replace(i, 2, "?");
    const bool turns = (at(i + 1) == 0x80 && at(i + 2) >= 0xaa && at(i + 2) <= 0xae) ||
                       (at(i + 1) == 0x81 && at(i + 2) >= 0xa6 && at(i + 2) <= 0xa9);
    if (at(i) == 0xe2 && turns) text.replace(i, 3, "?");
  }
  return text;
}

Result<std::string> read_bytes(const fs::path& file, std::size_t max_bytes) {
  struct stat about {};
  if (::stat(file.c_str(), &about) != 0) {
    return refuse(ProblemKind::no_input,
                  fmt::format("{}: {}", shown(file), std::strerror(errno)),
                  "Check the name and the folder.");
  }
  if (!S_ISREG(about.st_mode)) {
    return refuse(ProblemKind::no_input,
                  fmt::format("{}: is {}, not a file",
                              shown(file),
                              S_ISDIR(about.st_mode) ? "a folder" : "a device or pipe"),
                  "Name a file.");
  }
  if (static_cast<std::size_t>(about.st_size) > max_bytes) {
    return refuse(
        ProblemKind::data,
        fmt::format(
            "{}: is {} bytes long, at most {} are read", shown(file), about.st_size, max_bytes),
        "Check that this is the right file.");
  }
  Descriptor in(::open(file.c_str(), O_RDONLY | O_CLOEXEC));
  if (!in.open()) {
    return refuse(ProblemKind::no_input,
                  fmt::format("{}: cannot be read: {}", shown(file), std::strerror(errno)),
                  "Check that you may read it.");
  }
  std::string bytes;
  bytes.resize(static_cast<std::size_t>(about.st_size));
  std::size_t done = 0;
  while (done < bytes.size()) {
    const ssize_t n = ::read(in.get(), bytes.data() + done, bytes.size() - done);
    if (n < 0 && errno == EINTR) continue;
    if (n < 0) {
      return refuse(ProblemKind::io,
                    fmt::format("{}: reading failed: {}", shown(file), std::strerror(errno)),
                    "Copy the file to another disk and try again.");
    }
    if (n == 0) break;  // became shorter while we read
    done += static_cast<std::size_t>(n);
  }
  bytes.resize(done);
  return bytes;
}

Result<void> may_replace(const fs::path& file, std::string_view bytes) {
  const auto start = start_of(file);
  if (!start) return std::unexpected(start.error());
  const auto old = treasure_of(*start);
  if (old.empty() || old == treasure_of(bytes)) return {};
  return refuse(
      ProblemKind::cannot_create,
      fmt::format("{}: is {}, which is not replaced by another kind of file", shown(file), old),
      has_written() ? "Name another output." : "Name another output. Nothing was changed.");
}

Result<void> write_atomically(const fs::path& file, std::string_view bytes) {
  struct stat about {};
  if (::stat(file.c_str(), &about) == 0 && !S_ISREG(about.st_mode)) {
    return cannot_create(file, S_ISDIR(about.st_mode) ? EISDIR : EINVAL);
  }
  // A link keeps pointing where it points: the file behind it is replaced.
  std::error_code failed;
  fs::path target = file;
  if (fs::is_symlink(file, failed)) {
    target = fs::canonical(file, failed);
    if (failed) return cannot_create(file, failed.value());  // it leads nowhere
  }
  if (auto ok = may_replace(target, bytes); !ok) return ok;

  const Temporary temporary(temporary_beside(target));
  if (const int error = write_new(temporary.path(), bytes)) return cannot_create(file, error);
  if (const int error = put_in_place(temporary.path(), target)) {
    ::unlink(temporary.path().c_str());
    return cannot_create(file, error);
  }
  if (const int error = sync_folder(folder_of(target))) return cannot_create(file, error);
  return {};
}

// A name that no other process and no other call uses.
fs::path temporary_beside(const fs::path& file) {
  static std::atomic<unsigned> serial{0};
  // The target's own name is left out: it may already be as long as a name can be.
  return folder_of(file) /
         fmt::format("{}{}-{}", temporary_mark, static_cast<long>(::getpid()), serial++);
}

Result<void> put_whole(const fs::path& written, const fs::path& file, bool asked_for) {
  const auto sync = [&] {
    Descriptor out(::open(written.c_str(), O_RDONLY | O_CLOEXEC));
    return out.open() && ::fsync(out.get()) == 0 && out.close() == 0 ? 0 : errno;
  };
  int error = sync();
  if (!error) error = put_in_place(written, file, asked_for);
  if (error) {
    ::unlink(written.c_str());
    return cannot_create(file, error);
  }
  error = sync_folder(folder_of(file));
  if (error) return cannot_create(file, error);
  return {};
}

Result<void> make_folders(const fs::path& folder) {
  std::error_code error;
  fs::create_directories(folder, error);
  if (error) return cannot_create(folder, error.value());
  return {};
}

Result<void> write_unpublished(const fs::path& file, std::string_view bytes) {
  if (const int error = write_new(file, bytes)) return cannot_create(file, error);
  return {};
}

Result<void> put_whole_folder(const fs::path& written, const fs::path& folder) {
  std::error_code failed;
  for (auto it = fs::recursive_directory_iterator(written, failed);
       !failed && it != fs::recursive_directory_iterator();
       it.increment(failed)) {
    if (!it->is_directory()) continue;
    if (const int error = sync_folder(it->path())) return cannot_create(folder, error);
  }
  int error = failed ? failed.value() : sync_folder(written);
  if (!error) error = put_in_place(written, folder);
  if (!error) error = sync_folder(folder_of(folder));
  if (error) return cannot_create(folder, error);
  return {};
}

Result<void> write_folder(const fs::path& folder, const Named& files) {
  fs::path target = folder;
  if (!target.has_filename()) target = target.parent_path();  // "plan/" is "plan"
  std::error_code no_link;
  if (fs::is_symlink(target, no_link)) target = fs::canonical(target, no_link);
  if (target.empty()) return cannot_create(folder, ENOENT);
  for (const auto& [name, bytes] : files) {
    if (fs::is_directory(target / name, no_link)) return cannot_create(target / name, EISDIR);
    if (auto ok = may_replace(target / name, bytes); !ok) return ok;
  }
  struct stat about {};
  const bool there = ::stat(target.c_str(), &about) == 0;
  if (there && !S_ISDIR(about.st_mode)) return cannot_create(folder, ENOTDIR);

  const Temporary temporary(place_for_new(target, there));
  const fs::path& fresh = temporary.path();
  if (const int error = make_folder(fresh)) return cannot_create(folder, error);
  const auto give_up = [&](int error) {
    remove_quietly(fresh);
    return cannot_create(folder, error);
  };
  for (const auto& [name, bytes] : files) {
    if (const int error = write_new(fresh / name, bytes)) return give_up(error);
  }
  if (const int error = sync_folder(fresh)) return give_up(error);

  if (!there) {
    if (const int error = put_in_place(fresh, target)) return give_up(error);
  } else if (Swap swap(target, fresh, files); !swap.prepare(about) || !swap.make()) {
    if (const int error = put_each_in_place(fresh, target, files)) return give_up(error);
    remove_quietly(fresh);
    if (const int error = sync_folder(target)) return cannot_create(folder, error);
    return {};
  }
  if (const int error = sync_folder(folder_of(target))) return cannot_create(folder, error);
  return {};
}

bool has_written() { return put_something; }

Stamp stamp_of(const fs::path& file) {
  struct stat about {};
  if (::stat(file.c_str(), &about) != 0) return {};
  return {about.st_dev,
          about.st_ino,
          about.st_size,
          about.st_mtim.tv_sec * std::int64_t{1'000'000'000} + about.st_mtim.tv_nsec};
}

void abandon_writing() {
  unfinished().lock.lock();  // never released: nothing is made or renamed from here on
  for (const auto& path : unfinished().paths) remove_quietly(path);
}

std::vector<fs::path> paths_in(const fs::path& folder, std::error_code& failed) {
  failed.clear();
  const std::unique_ptr<DIR, int (*)(DIR*)> open(::opendir(folder.c_str()), ::closedir);
  if (!open) failed.assign(errno, std::generic_category());
  std::vector<fs::path> paths;
  while (open) {
    errno = 0;
    const dirent* entry = ::readdir(open.get());
    if (!entry) {
      if (errno != 0) failed.assign(errno, std::generic_category());
      break;
    }
    const std::string_view name = entry->d_name;
    if (name != "." && name != "..") paths.push_back(folder / name);
  }
  return paths;
}

void sweep_stale(const fs::path& folder) {
  std::error_code error;
  const auto now = fs::file_time_type::clock::now();
  for (const fs::path& path : paths_in(folder, error)) {
    if (!path.filename().string().starts_with(temporary_mark)) continue;
    const auto written = fs::last_write_time(path, error);
    if (!error && now - written > std::chrono::hours(1)) remove_quietly(path);
  }
}

}  // namespace rebite::files
