// Books for the tests: a folder of their own that goes away, and a book with a bit of everything.
#pragma once

#include <gtest/gtest.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>
#include <string>

#include "book/book.h"
#include "files/files.h"
#include "tests/plan/hand_batch.h"

namespace rebite::book {
namespace fs = std::filesystem;

class TempFolder {
 public:
  TempFolder() {
    // In memory where there is such a place: a killed or damaged book is the same there, and every
    // commit waits for the disk elsewhere.
    std::error_code error;
    const fs::path shm = "/dev/shm";
    const bool fast = fs::is_directory(shm, error) && ::access(shm.c_str(), W_OK) == 0;
    std::string name = ((fast ? shm : fs::temp_directory_path()) / "rebite-book-XXXXXX").string();
    if (::mkdtemp(name.data())) path_ = name;
  }
  ~TempFolder() {
    std::error_code error;
    fs::remove_all(path_, error);
  }
  TempFolder(const TempFolder&) = delete;
  TempFolder& operator=(const TempFolder&) = delete;
  fs::path operator/(const std::string& name) const { return path_ / name; }
  const fs::path& path() const { return path_; }

 private:
  fs::path path_;
};

inline std::string bytes_of(const fs::path& file) {
  std::ifstream in(file, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}
inline void put_bytes(const fs::path& file, const std::string& bytes) {
  std::ofstream out(file, std::ios::binary | std::ios::trunc);
  out.write(bytes.data(), static_cast<std::streamsize>(bytes.size()));
}

template <class T>
T must(Result<T> result) {
  if (!result) throw std::runtime_error(result.error().what);
  return std::move(*result);
}
inline void must(const Result<void>& result) {
  if (!result) throw std::runtime_error(result.error().what);
}

inline wedge::Batch lock_batch() {
  auto batch = plan::batch_through({0, 0.25, 0.5, 1, 2, 4, 8, 16, 30},
                                   {0.04, 0.12, 0.2, 0.34, 0.55, 0.82, 1.08, 1.25, 1.33},
                                   0.012,
                                   1.45);
  batch.name = "ferric-7";
  return batch;
}

// lock_batch() as batch files were written for version 1: an old book keeps the texts it was given.
inline std::string kept_wedge_text() {
  return bytes_of(fs::path(REBITE_SOURCE_DIR) / "tests/book/kept/export-1/wedge-1.json");
}

inline ScanRecord scan_of(const std::string& path, const std::string& content) {
  return {
      path, files::sha256(content), static_cast<std::int64_t>(content.size()), "\x89PNG" + content};
}

inline State state_of(Id plate, int number) {
  State s;
  s.plate = plate;
  s.number = number;
  s.date = "2026-02-01";
  s.impressions_printed = 3;
  s.note = "wiped warm \xc3\xa9";
  s.proofs = {scan_of("scans/lock-" + std::to_string(number) + ".tif", "proof")};
  s.drawing = scan_of("scans/drawing.tif", "drawing");
  s.alignment = "{\"confidence\":0.9}";
  return s;
}

inline Prediction prediction(int region, double now, double predicted, double minutes, int stage) {
  Prediction p;
  p.region = region;
  p.action = minutes > 0 ? "bite" : "hold";
  p.area_mm2 = 400;
  p.minutes = minutes;
  p.stage = stage;
  p.now = now, p.now_sd = 0.012;
  p.target = predicted + 0.01;
  p.predicted = predicted, p.predicted_sd = 0.03;
  return p;
}

// What a book of version 1 can hold: two plates, a batch with its wedge, three states with plans,
// bites, lowering, what was reached.
inline void fill_version_1(Book& book) {
  const Id plate = must(
      book.add_plate({0, "Lock in snow", "copper", {150, 110}, 1.2, "bevelled, \"second\" plate"}));
  must(book.add_plate({0, "Towpath", "zinc", {90, 60}, {}, ""}));
  const Id batch =
      must(book.add_batch({0, "ferric-7", "ferric chloride", "42 Be", "2026-01-20", 4.0}));
  const Id wedge = must(book.add_wedge({0, batch, "2026-01-21", kept_wedge_text()}));
  const Id ground = must(book.add_ground({0, "rosin, fine", "two dustings"}));
  std::vector<Prediction> before;
  for (int n = 1; n <= 3; ++n) {
    Book::Planned planned;
    planned.state = state_of(plate, n);
    planned.plan.wedge = wedge;
    planned.plan.ground = ground;
    planned.plan.temperature_c = 19.5;
    planned.plan.made_on = "2026-02-01";
    planned.plan.text = "{\"format\":\"rebite-plan\",\"state\":" + std::to_string(n) + "}";
    planned.plan.regions_png = std::string("\x89PNG\0labels", 11);
    planned.plan.px_per_mm = 8;
    planned.predictions = {prediction(1, 0.1, 0.4, 1.0, 1),
                           prediction(2, 0.2, 0.8, 4.0, 2),
                           prediction(3, 0.3, 0.3, 0, 0)};
    planned.reached = before;
    const auto [state, plan] = must(book.add_planned(planned));
    before = planned.predictions;
    for (auto& p : before) p.plan = plan, p.reached = p.predicted + 0.02, p.reached_sd = 0.015;
    must(book.add_bite({0, state, 1, 1.0, 20.0, batch, "2026-02-02", "still bath"}));
    must(book.add_bite({0, state, 2, 3.25, {}, 0, "", ""}));
    must(book.add_lowering({0, state, 3, "burnish", "2026-02-02", "with oil"}));
  }
}

constexpr WallMs noon = 1770033600000;  // 2026-02-02 12:00 UTC

// Stage 1 of 2:30 minutes at 19.5 C in the bath "ferric-7", started at noon.
inline BathClock clock_at_noon(Book& book, Id state, Id plan) {
  BathClock clock;
  clock.state = state;
  clock.plan = plan;
  clock.stage = 1;
  clock.planned_minutes = 2.5;
  clock.temperature_c = 19.5;
  clock.batch = must(book.batch("ferric-7")).id;
  clock.started = noon;
  return clock;
}

// What version 2 brought: the last state's plan changed twice by hand and one change taken back, a
// bath clock that ended in a bite, one that was called off, one that runs and is paused.
inline void fill_version_2(Book& book) {
  const Id plate = must(book.plate("Lock in snow")).id;
  const Id state = must(book.last_state(plate))->id;
  const PlanRecord original = *must(book.current_plan(state));
  PlanRecord changed = original;
  changed.text = "{\"format\":\"rebite-plan\",\"changed\":1}";
  changed.regions_png.clear();
  const Id first = must(book.add_edit({0, 0, original.id, "{}", "region 3: hold", ""},
                                      changed,
                                      {prediction(1, 0.1, 0.4, 1.25, 1)}));
  must(book.add_edit({0, 0, first, "", "region 1: 2 min", "2026-02-01T10:00:00Z"}, changed, {}));
  must(book.undo_edit(state));
  BathClock clock = clock_at_noon(book, state, first);
  const Id pulled = must(book.start_clock(clock));
  must(book.pause_clock(pulled, noon + 60000));
  must(book.resume_clock(pulled, noon + 90000));
  must(book.pull(pulled, noon + 190000, "2026-02-02", "a little late"));
  clock.started = noon + 600000;
  must(book.call_off_clock(must(book.start_clock(clock)), noon + 605000, "wrong plate"));
  clock.stage = 2;
  must(book.pause_clock(must(book.start_clock(clock)), noon + 660000));
}

// What version 3 brought: the running clock's thermometer was read twice.
inline void fill_version_3(Book& book) {
  const Id clock = must(book.running_clocks()).front().id;
  must(book.read_temperature(clock, noon + 630000, 18.5));
  must(book.read_temperature(clock, noon + 650000, {}));
}

// What version 4 brought: a bite and a lowering that were entered wrongly.
inline void fill_version_4(Book& book) {
  const Id plate = must(book.plate("Lock in snow")).id;
  const Id state = must(book.last_state(plate))->id;
  must(book.strike_bite(must(book.bites(state)).front().id, {"2026-02-03", "another plate's"}));
  must(book.strike_lowering(must(book.story(plate, false)).lowerings.front().id, {"", ""}));
}

inline Book filled_book(const fs::path& file) {
  Book book = must(Book::open(file, Book::Access::make));
  fill_version_1(book);
  fill_version_2(book);
  fill_version_3(book);
  fill_version_4(book);
  return book;
}

}  // namespace rebite::book
