// How writing is done inside this room: temporaries that a stopped run takes with it, and the steps
// that put them in place. Other rooms see files.h and put_whole.h.
#pragma once

#include <unistd.h>

#include <filesystem>
#include <mutex>
#include <string_view>
#include <utility>

#include "units/problem.h"

namespace rebite::files {

inline constexpr std::string_view temporary_mark = ".rebite-tmp-";

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

// The refusal for an errno of writing: cannot_create, or io where the disk is full or failing.
std::unexpected<Problem> cannot_create(const std::filesystem::path& file, int error);

// "." for a name without a folder.
std::filesystem::path folder_of(const std::filesystem::path& file);

// Held over each step that makes a temporary, puts one in place, lists it or takes it off the list:
// abandon_writing() keeps it for ever, so that none of these happens after it.
std::mutex& writing_lock();

// One temporary file or folder; it is listed for abandon_writing() until it is renamed or removed.
class Temporary {
 public:
  explicit Temporary(std::filesystem::path path);
  ~Temporary();
  Temporary(const Temporary&) = delete;
  Temporary& operator=(const Temporary&) = delete;
  const std::filesystem::path& path() const { return path_; }

 private:
  std::filesystem::path path_;
};

// One temporary folder; what is left of it is removed at the end, unless it was given away.
class TemporaryFolder {
 public:
  explicit TemporaryFolder(std::filesystem::path path) : temporary_(std::move(path)) {}
  ~TemporaryFolder();
  TemporaryFolder(const TemporaryFolder&) = delete;
  TemporaryFolder& operator=(const TemporaryFolder&) = delete;
  const std::filesystem::path& path() const { return temporary_.path(); }
  void give() { given_ = true; }

 private:
  Temporary temporary_;
  bool given_ = false;
};

// Each: 0 or the errno.
int make_folder(const std::filesystem::path& folder);
// A new file, synced; nothing is left behind on failure.
int write_new(const std::filesystem::path& file, std::string_view bytes);
// A folder's fsync makes a rename in it last through a power cut.
int sync_folder(const std::filesystem::path& folder);
// rename, or the two swapped with RENAME_EXCHANGE. The lock must be held.
int put_locked(const std::filesystem::path& from, const std::filesystem::path& to, unsigned flags);
// rename under the lock; has_written() then tells it where it was `asked_for`.
int put_in_place(const std::filesystem::path& from,
                 const std::filesystem::path& to,
                 bool asked_for = true);
// For has_written(). The lock must be held.
void note_written();

// What cannot be removed stays.
void remove_quietly(const std::filesystem::path& path) noexcept;

}  // namespace rebite::files
