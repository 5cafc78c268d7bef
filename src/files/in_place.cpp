#include "files/in_place.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/stat.h>

#include <atomic>
#include <cerrno>
#include <chrono>
#include <cstring>
#include <set>
#include <system_error>

#include "files/files.h"
#include "files/put_whole.h"

namespace rebite::files {
namespace fs = std::filesystem;
namespace {

// Temporaries that exist right now.
std::set<fs::path>& unfinished() {
  static std::set<fs::path> all;
  return all;
}

std::atomic<bool> put_something{false};

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

int make_new(const fs::path& file) {
  const std::lock_guard hold(writing_lock());
  return ::open(file.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0644);
}

}  // namespace

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

std::mutex& writing_lock() {
  static std::mutex lock;
  return lock;
}

Temporary::Temporary(fs::path path) : path_(std::move(path)) {
  const std::lock_guard hold(writing_lock());
  unfinished().insert(path_);
}

Temporary::~Temporary() {
  const std::lock_guard hold(writing_lock());
  unfinished().erase(path_);
}

TemporaryFolder::~TemporaryFolder() {
  if (!given_) remove_quietly(temporary_.path());
}

int make_folder(const fs::path& folder) {
  const std::lock_guard hold(writing_lock());
  return ::mkdir(folder.c_str(), 0755) == 0 ? 0 : errno;
}

int write_new(const fs::path& file, std::string_view bytes) {
  Descriptor out(make_new(file));
  if (!out.open()) return errno;
  if (write_all(out.get(), bytes) && ::fsync(out.get()) == 0 && out.close() == 0) return 0;
  const int error = errno;
  ::unlink(file.c_str());
  return error;
}

int sync_folder(const fs::path& folder) {
  Descriptor dir(::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC));
  if (!dir.open()) return errno;
  if (::fsync(dir.get()) != 0 && errno != EINVAL && errno != ENOTSUP) return errno;
  return 0;
}

int put_locked(const fs::path& from, const fs::path& to, unsigned flags) {
  return ::renameat2(AT_FDCWD, from.c_str(), AT_FDCWD, to.c_str(), flags) == 0 ? 0 : errno;
}

int put_in_place(const fs::path& from, const fs::path& to, bool asked_for) {
  const std::lock_guard hold(writing_lock());
  const int error = put_locked(from, to, 0);
  if (error == 0 && asked_for) note_written();
  return error;
}

void note_written() { put_something = true; }

bool has_written() { return put_something; }

void remove_quietly(const fs::path& path) noexcept {
  for (int tries = 0; tries < 2; ++tries) {
    try {
      std::error_code failed;
      fs::remove_all(path, failed);
      if (!failed) return;
    } catch (const std::bad_alloc&) {  // as a folder that could not be opened: once more
    }
  }
}

// A name that no other process and no other call uses.
fs::path temporary_beside(const fs::path& file) {
  static std::atomic<unsigned> serial{0};
  // The target's own name is left out: it may already be as long as a name can be.
  return folder_of(file) /
         fmt::format("{}{}-{}", temporary_mark, static_cast<long>(::getpid()), serial++);
}

void abandon_writing() {
  writing_lock().lock();  // never released: nothing is made or renamed from here on
  for (const auto& path : unfinished()) remove_quietly(path);
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
