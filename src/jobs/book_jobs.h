// The errands of the record book: what `rebite book` and the page call.
#pragma once

#include "book/book.h"
#include "book/speed.h"
#include "jobs/inputs.h"

namespace rebite::jobs {

// The book an errand means: `named`, else `from_environment` (REBITE_BOOK), else the default in the
// current folder.
std::filesystem::path book_file(const std::filesystem::path& named,
                                const std::string& from_environment);

// The book's own words for those who call the errands.
using BookAccess = book::Book::Access;
using BookPlate = book::Plate;
using BookBatch = book::MordantBatch;
using OpenBook = book::Book;
Result<book::Book> open_book(const std::filesystem::path& named,
                             const std::string& from_environment,
                             BookAccess access);

// A scan's whole path as the book keeps it. Refuses (data) a name that is not UTF-8.
Result<std::string> recorded_path(const std::filesystem::path& file);
// Where a scan lies, what it was, and a small grey PNG of it (longest side 240 px, reflectance).
// `sha256` where it is known already.
Result<book::ScanRecord> scan_record(const std::filesystem::path& file,
                                     const std::string& sha256 = {});
// A preview of a picture of relative reflectances.
std::string preview_png(const cv::Mat1f& relative);

// The batch of a batch file, entered (with its wedge) where the book does not have it yet.
struct BatchEntry {
  book::Id batch = 0, wedge = 0;
};
Result<BatchEntry> enter_batch(book::Book&, const std::filesystem::path& batch_file);
// The same of a file's text that was read before; `name` is for messages.
Result<BatchEntry> enter_batch(book::Book&, const std::string& text, std::string_view name);

// Speed learned from all uses of a batch's latest wedge; `next_date` is the day of the next bite.
struct BatchStory {
  book::MordantBatch batch;
  std::optional<wedge::Batch> wedge;
  book::SpeedHistory history;
};
Result<BatchStory> batch_story(book::Book&, const std::string& name, const std::string& next_date);
// `name`: a batch of the book, or a batch file, which is entered. What `known` says is filled in.
Result<BatchStory> enter_or_show_batch(book::Book&,
                                       const std::string& name,
                                       const book::MordantBatch& known,
                                       const std::string& next_date);
// Drift into `file`, predicted against reached beside it (NAME-reached.svg).
Result<void> draw_batch(const BatchStory&, const std::filesystem::path& file);
// Refuses, before anything is entered, a name that draw_batch could not write or that is not .svg.
Result<void> batch_can_be_drawn(const std::filesystem::path& file);
Result<book::Story> plate_story(book::Book&, const std::string& title, bool with_pictures);
// Refused (usage): a name that is not .html.
Result<void> write_story_html(book::Book&, const book::Story&, const std::filesystem::path& file);
std::string batch_text(const BatchStory&);
std::string batch_json(const BatchStory&);

struct StateRequest {
  std::string plate;
  book::State state;  // number 0: the next one; proofs and drawing are filled in from the files
  std::vector<std::filesystem::path> proofs;
  std::filesystem::path drawing;
  ScanChoice read;
};
// What is entered of a state: its first proof is compared with the last plan of the plate, and the
// batch's speed learned from that.
struct StateEntered {
  int number = 1;
  int regions_compared = 0;
  double mean_off = 0;  // reached minus predicted, density, over the regions
  std::string batch;    // of the plan before; empty: planned without
  double speed_before = 1, speed = 1, speed_ln_sd = 0;
  Notes notes;
};
Result<StateEntered> enter_state(book::Book&, const StateRequest&, const Progress& = {});
std::string state_text(const StateEntered&, const std::string& plate);

// A dip as done: on the plate's last state, or `state` if not 0.
struct BiteRequest {
  std::string plate, batch;
  int state = 0;
  book::Bite bite;
};
Result<int> enter_bite(book::Book&, const BiteRequest&);
struct LowerRequest {
  std::string plate;
  int state = 0;
  book::Lowering lowering;
};
Result<int> enter_lowering(book::Book&, const LowerRequest&);

// Which entry was wrong: the bite of a stage, or (stage 0) the last lowering of a region. It stays in the book and no longer counts.
struct StrikeRequest {
  std::string plate;
  int state = 0, stage = 0, region = 0;  // region 0: the last lowering, of whatever region
  book::StruckOut struck;
  double minutes = 0;  // which bite of the stage, where it has several that count; 0: the only one
};
// What was struck out, in words.
Result<std::string> strike_out(book::Book&, const StrikeRequest&);

using BookGround = book::GroundRecord;
Result<book::Id> enter_ground(book::Book&, const BookGround&);

// All that a book has, one line each.
struct BookList {
  std::vector<book::PlateLine> plates;
  std::vector<book::MordantBatch> batches;
  std::vector<book::GroundRecord> grounds;
};
Result<BookList> list_book(book::Book&);
std::string list_text(const BookList&);
std::string list_json(const BookList&);
std::string story_text(const book::Story&);
std::string story_json(const book::Story&);
// One page, nothing fetched from outside: thumbnails, tone history, the batches' plots.
std::string story_html(const book::Story&, const std::vector<BatchStory>&);
// The batches whose wedges the plate's plans used.
Result<std::vector<BatchStory>> batches_of(book::Book&, const book::Story&);

struct CheckReport {
  std::vector<book::Damage> damage;
  std::vector<std::string> scans;  // changed or gone, in words
  int scans_looked_at = 0;
};
Result<CheckReport> check_book(book::Book&, const Progress& = {});
std::string check_text(const CheckReport&);
std::string check_json(const CheckReport&);
// What was found, as one message (data); none: all is well.
std::optional<Problem> check_problem(const CheckReport&, const std::filesystem::path& book);

// Whole folder or nothing.
Result<void> export_book(book::Book&, const std::filesystem::path& folder);
Result<void> import_book(book::Book&, const std::filesystem::path& folder);

}  // namespace rebite::jobs
