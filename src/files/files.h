// Files in and out, so that an output is either the old one or the complete new one.
//
// Writing: temporary file beside the target, write all, fsync, rename, fsync of the folder.
// (Pillai et al., "All File Systems Are Not Created Equal", OSDI 2014.)
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "units/problem.h"

namespace rebite::files {

// The whole file as bytes. Refused: missing or unreadable (no_input), a folder, larger than
// `max_bytes` (data), a read failure (io).
Result<std::string> read_bytes(const std::filesystem::path& file,
                               std::size_t max_bytes = std::size_t{64} << 20);

// Whether a file that begins with these bytes may take the place of what lies there. Refused
// (cannot_create, io): a record book, a scan or a measured curve (rebite-batch, ...) that would
// become another kind of file, or what cannot be read to tell.
Result<void> may_replace(const std::filesystem::path& file, std::string_view bytes);

// What a link points at (it keeps pointing there when it is written to); any other path as it is.
// Refused (cannot_create): a link to nowhere.
Result<std::filesystem::path> behind_link(const std::filesystem::path& path);

// Replaces or creates `file` whole. Refused: folder missing or not writable, a link to nowhere, what
// may_replace refuses (cannot_create), disk full or failing (io). On refusal the old file is
// untouched and no temporary is left.
Result<void> write_atomically(const std::filesystem::path& file, std::string_view bytes);

// A folder of outputs that appears complete or not at all: everything is written into a hidden
// folder beside it, then renamed into place (an older plan folder is swapped out and removed).
// `files` are names relative to the folder and their bytes. What else lies in a folder that exists
// stays there: files are linked into the new one, and what somebody saves in that moment is carried
// over. Where that cannot be (a folder of the user's own, a database, a disk without links), the new
// files are put in one by one, and taken back where one fails: there a kill or a power cut within a
// millisecond can leave some new and some old. After a swap it is another folder: a window or shell
// that stands in it must open it again. Refused as write_atomically.
Result<void> write_folder(const std::filesystem::path& folder,
                          const std::vector<std::pair<std::string, std::string>>& files);

// The full paths of what lies in a folder, in no order; `failed` tells why none could be read. For
// std::filesystem::directory_iterator, which ends the program where memory runs out: its reading
// allocates inside a noexcept function (libstdc++ 12).
std::vector<std::filesystem::path> paths_in(const std::filesystem::path& folder,
                                            std::error_code& failed);

// Removes temporaries that killed runs left beside `file` (older than an hour).
void sweep_stale(const std::filesystem::path& folder);

// Whether this process has put an output in its place: a file that was asked for, or all of a folder.
bool has_written();

// Whether a file is still the one that it was: another one in its place, or bytes written into it,
// give another stamp. All 0 where there is none.
struct Stamp {
  std::uint64_t device = 0, inode = 0;
  std::int64_t bytes = 0, modified_ns = 0;
  bool operator==(const Stamp&) const = default;
};
Stamp stamp_of(const std::filesystem::path& file);

// For a process that is about to end: removes what it is writing right now and lets no other thread
// begin or finish a write. Never call it in a process that goes on.
void abandon_writing();

// Lower-case hex SHA-256 (FIPS 180-4).
std::string sha256(std::string_view bytes);
Result<std::string> sha256_of_file(const std::filesystem::path& file);

// A path as text for messages: control characters, also those of two and three bytes (C1, marks
// that turn the direction of writing), shown as '?'.
std::string shown(const std::filesystem::path& file);

}  // namespace rebite::files
