// A record book of which every byte may be wrong: opened, checked, read in every way, written once.
#include "book/book.h"
#include "tests/fuzz/target.h"

using namespace rebite;

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  if (size > (1U << 18)) return 0;
  const auto file = fuzz::as_file(fuzz::text_of(data, size), ".sqlite");
  std::error_code ignored;
  std::filesystem::remove(file.string() + "-journal", ignored);
  auto opened = book::Book::open(file, book::Book::Access::write);
  if (!opened) {
    fuzz::must_be_told(opened.error());
    return 0;
  }
  book::Book& book = *opened;
  if (const auto found = book.check(); !found) fuzz::must_be_told(found.error());
  if (const auto plates = book.plates()) {
    for (const auto& line : *plates) {
      if (const auto story = book.story(line.plate.id, true); !story) {
        fuzz::must_be_told(story.error());
      }
      if (const auto plan = book.last_plan(line.plate.id); !plan) fuzz::must_be_told(plan.error());
    }
  } else {
    fuzz::must_be_told(plates.error());
  }
  if (const auto uses = book.uses(1); !uses) fuzz::must_be_told(uses.error());
  if (const auto scans = book.scans(); !scans) fuzz::must_be_told(scans.error());
  if (const auto files = book.export_files(); !files) fuzz::must_be_told(files.error());
  if (const auto done = book.add_plate({0, "After", "copper", {50, 50}, {}, ""}); !done) {
    fuzz::must_be_told(done.error());
  }
  return 0;
}
