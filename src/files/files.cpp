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
#include <system_error>

#include "files/in_place.h"
#include "files/put_whole.h"

namespace rebite::files {
namespace fs = std::filesystem;

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

Result<fs::path> behind_link(const fs::path& path) {
  std::error_code failed;
  if (!fs::is_symlink(path, failed)) return path;
  fs::path target = fs::canonical(path, failed);
  if (failed) return cannot_create(path, failed.value());
  return target;
}

Result<void> write_atomically(const fs::path& file, std::string_view bytes) {
  struct stat about {};
  if (::stat(file.c_str(), &about) == 0 && !S_ISREG(about.st_mode)) {
    return cannot_create(file, S_ISDIR(about.st_mode) ? EISDIR : EINVAL);
  }
  const auto target = behind_link(file);
  if (!target) return std::unexpected(target.error());
  if (auto ok = may_replace(*target, bytes); !ok) return ok;

  const Temporary temporary(temporary_beside(*target));
  if (const int error = write_new(temporary.path(), bytes)) return cannot_create(file, error);
  if (const int error = put_in_place(temporary.path(), *target)) {
    ::unlink(temporary.path().c_str());
    return cannot_create(file, error);
  }
  if (const int error = sync_folder(folder_of(*target))) return cannot_create(file, error);
  return {};
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

UnpublishedFolder::UnpublishedFolder(const fs::path& parent) {
  static std::atomic<unsigned> count{0};
  // The time: a program of the same number in another container, or before, may have left one.
  const auto now = std::chrono::system_clock::now().time_since_epoch().count();
  folder_ = std::make_unique<TemporaryFolder>(
      parent / fmt::format("new-{}-{}-{}", ::getpid(), now, ++count));
}

UnpublishedFolder::~UnpublishedFolder() = default;

const fs::path& UnpublishedFolder::path() const { return folder_->path(); }

Result<void> UnpublishedFolder::make() const {
  const std::lock_guard hold(writing_lock());
  return make_folders(path());
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

Stamp stamp_of(const fs::path& file) {
  struct stat about {};
  if (::stat(file.c_str(), &about) != 0) return {};
  return {about.st_dev,
          about.st_ino,
          about.st_size,
          about.st_mtim.tv_sec * std::int64_t{1'000'000'000} + about.st_mtim.tv_nsec};
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

}  // namespace rebite::files
