#include "files/files.h"

#include <dirent.h>
#include <fcntl.h>
#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>

#include <atomic>
#include <cerrno>
#include <chrono>
#include <cstring>
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

// Writes a new file and syncs it. 0 or the errno; nothing is left behind on failure.
int write_new(const fs::path& file, std::string_view bytes) {
  Descriptor out(make_new(file));
  if (!out.open()) return errno;
  if (write_all(out.get(), bytes) && ::fsync(out.get()) == 0 && out.close() == 0) return 0;
  const int error = errno;
  ::unlink(file.c_str());
  return error;
}

// rename, or the two swapped with RENAME_EXCHANGE. 0 or the errno.
int put_in_place(const fs::path& from, const fs::path& to, unsigned flags) {
  const std::lock_guard hold(unfinished().lock);
  return ::renameat2(AT_FDCWD, from.c_str(), AT_FDCWD, to.c_str(), flags) == 0 ? 0 : errno;
}

void remove_quietly(const fs::path& path) {
  std::error_code failed;
  fs::remove_all(path, failed);
  if (failed) fs::remove_all(path, failed);  // a folder that could not be opened once
}

// True if everything in the folder is going to be replaced.
bool only_ours(const fs::path& folder,
               const std::vector<std::pair<std::string, std::string>>& files) {
  std::set<std::string> ours;
  for (const auto& [name, bytes] : files) ours.insert(name);
  std::error_code error;
  for (const fs::path& path : paths_in(folder, error)) {
    const std::string name = path.filename().string();
    if (!ours.contains(name) && !name.starts_with(temporary_mark)) return false;
  }
  return !error;
}

}  // namespace

std::string shown(const fs::path& file) {
  std::string text = file.string();
  for (char& c : text) {
    if (static_cast<unsigned char>(c) < 0x20 || c == 0x7f) c = '?';
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

Result<void> write_atomically(const fs::path& file, std::string_view bytes) {
  struct stat about {};
  if (::stat(file.c_str(), &about) == 0 && !S_ISREG(about.st_mode)) {
    return cannot_create(file, S_ISDIR(about.st_mode) ? EISDIR : EINVAL);
  }
  // A link keeps pointing where it points: the file behind it is replaced.
  std::error_code no_link;
  fs::path target = fs::is_symlink(file, no_link) ? fs::canonical(file, no_link) : file;
  if (no_link || target.empty()) target = file;

  const Temporary temporary(temporary_beside(target));
  if (const int error = write_new(temporary.path(), bytes)) return cannot_create(file, error);
  if (const int error = put_in_place(temporary.path(), target, 0)) {
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

Result<void> put_whole(const fs::path& written, const fs::path& file) {
  const auto sync = [&] {
    Descriptor out(::open(written.c_str(), O_RDONLY | O_CLOEXEC));
    return out.open() && ::fsync(out.get()) == 0 && out.close() == 0 ? 0 : errno;
  };
  int error = sync();
  if (!error) error = put_in_place(written, file, 0);
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
  if (!error) error = put_in_place(written, folder, 0);
  if (!error) error = sync_folder(folder_of(folder));
  if (error) return cannot_create(folder, error);
  return {};
}

Result<void> write_folder(const fs::path& folder,
                          const std::vector<std::pair<std::string, std::string>>& files) {
  fs::path target = folder;
  if (!target.has_filename()) target = target.parent_path();  // "plan/" is "plan"
  std::error_code no_link;
  if (fs::is_symlink(target, no_link)) target = fs::canonical(target, no_link);
  if (target.empty()) return cannot_create(folder, ENOENT);
  for (const auto& [name, bytes] : files) {
    if (fs::is_directory(target / name, no_link)) return cannot_create(target / name, EISDIR);
  }
  const Temporary temporary(temporary_beside(target));
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

  struct stat about {};
  const bool there = ::stat(target.c_str(), &about) == 0;
  if (there && !S_ISDIR(about.st_mode)) return give_up(ENOTDIR);
  if (!there) {
    if (const int error = put_in_place(fresh, target, 0)) return give_up(error);
  } else if (only_ours(target, files) && put_in_place(fresh, target, RENAME_EXCHANGE) == 0) {
    // Swapped in one step: a reader sees the old plan or the new one, never a mixture.
    remove_quietly(fresh);
  } else {
    // Something else lies in the folder, or this disk cannot swap folders: file by file.
    for (const auto& [name, bytes] : files) {
      if (const int error = put_in_place(fresh / name, target / name, 0)) return give_up(error);
    }
    remove_quietly(fresh);
    if (const int error = sync_folder(target)) return cannot_create(folder, error);
  }
  if (const int error = sync_folder(folder_of(target))) return cannot_create(folder, error);
  return {};
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
