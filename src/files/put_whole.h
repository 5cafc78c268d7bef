// For what is not written by one call of files.h: files that a library writes by itself (a copy of a
// database), folders that are filled over minutes.
#pragma once

#include <filesystem>
#include <memory>
#include <string_view>

#include "units/problem.h"

namespace rebite::files {

// A hidden name beside `file` that no other process uses and that sweep_stale knows.
std::filesystem::path temporary_beside(const std::filesystem::path& file);

// Puts the file `written` in the place of `file`: synced first, renamed, the folder synced after.
// Refused as write_atomically; on refusal `written` is gone. `asked_for` false: a copy that the
// program makes for itself, of which has_written() says nothing.
Result<void> put_whole(const std::filesystem::path& written,
                       const std::filesystem::path& file,
                       bool asked_for = true);

// A folder with its parents; one that is there is fine. Refused: cannot_create, io (disk full).
Result<void> make_folders(const std::filesystem::path& folder);

class TemporaryFolder;

// A folder for what belongs under `parent` and is filled over minutes: "new-PID-..." there, of a
// name that no other process uses. What is left of it goes at the end of its life and with
// abandon_writing(); put_whole_folder takes it away under another name.
class UnpublishedFolder {
 public:
  explicit UnpublishedFolder(const std::filesystem::path& parent);
  ~UnpublishedFolder();
  UnpublishedFolder(const UnpublishedFolder&) = delete;
  UnpublishedFolder& operator=(const UnpublishedFolder&) = delete;
  const std::filesystem::path& path() const;
  // With its parents. Refused as make_folders.
  Result<void> make() const;

 private:
  std::unique_ptr<TemporaryFolder> folder_;
};

// A new file, synced, in a folder that nobody reads before it is put in place with
// put_whole_folder: half a file may be left where the process is killed. Refused as
// write_atomically, and where the file exists.
Result<void> write_unpublished(const std::filesystem::path& file, std::string_view bytes);

// Puts the folder `written`, whose files are synced, under the name `folder`, which must be free (an
// empty folder may lie there): its folders are synced first, then it is renamed, the folder around
// it synced after. Refused as write_atomically; on refusal `written` stays where it is, unless only
// the last sync failed.
Result<void> put_whole_folder(const std::filesystem::path& written,
                              const std::filesystem::path& folder);

}  // namespace rebite::files
