// The book as a whole: what goes in comes out, wrong entries stop at the door, versions, exchange.
#include <gmock/gmock.h>
#include <sys/wait.h>

#include "book/schema.h"
#include "book/store.h"
#include "tests/book/books.h"

namespace rebite::book {
namespace {

TEST(Book, GivesBackWhatWasEntered) {
  TempFolder folder;
  {
    Book writing = must(Book::open(folder / "b.sqlite", Book::Access::make));
    fill_version_1(writing);
  }
  Book book = must(Book::open(folder / "b.sqlite", Book::Access::read));
  const auto plates = must(book.plates());
  ASSERT_EQ(plates.size(), 2U);
  EXPECT_EQ(plates[0].states, 3);
  EXPECT_EQ(plates[0].last_state, 3);
  EXPECT_EQ(plates[1].states, 0);
  EXPECT_FALSE(plates[1].plate.thickness_mm.has_value());
  const Story story = must(book.story(plates[0].plate.id, true));
  ASSERT_EQ(story.states.size(), 3U);
  EXPECT_EQ(story.plate.note, "bevelled, \"second\" plate");
  const State& s = story.states[1];
  EXPECT_EQ(s.number, 2);
  EXPECT_EQ(s.impressions_printed, 3);
  EXPECT_EQ(s.note, "wiped warm \xc3\xa9");
  ASSERT_EQ(s.proofs.size(), 1U);
  EXPECT_EQ(s.proofs[0].path, "scans/lock-2.tif");
  EXPECT_EQ(s.proofs[0].preview, "\x89PNGproof");
  EXPECT_EQ(s.drawing->sha256, files::sha256("drawing"));
  EXPECT_EQ(story.bites.size(), 6U);
  EXPECT_EQ(story.bites[1].minutes, 3.25);
  EXPECT_FALSE(story.bites[1].temperature_c.has_value());
  EXPECT_EQ(story.lowerings.size(), 3U);
  ASSERT_EQ(story.predictions.size(), 9U);
  EXPECT_NEAR(*story.predictions[0].reached, 0.42, 1e-12);
  EXPECT_EQ(story.predictions[0].reached_state, story.states[1].id);
  EXPECT_FALSE(story.predictions[8].reached.has_value());
  const auto plan = must(book.last_plan(plates[0].plate.id));
  ASSERT_TRUE(plan.has_value());
  EXPECT_EQ(plan->text, "{\"format\":\"rebite-plan\",\"state\":3}");
  EXPECT_EQ(plan->regions_png, std::string("\x89PNG\0labels", 11));
  EXPECT_TRUE(must(book.check()).empty());
}

TEST(Book, TakesAStateOfWhichLittleIsKnown) {
  TempFolder folder;
  Book book = filled_book(folder / "b.sqlite");
  State bare;
  bare.plate = 2;
  bare.date = "2026-02-01";
  const auto added = book.add_state(bare);
  ASSERT_TRUE(added.has_value()) << added.error().what;
  const auto last = must(book.last_state(2));
  EXPECT_TRUE(last->alignment.empty());
  EXPECT_FALSE(last->impressions_printed.has_value());
  EXPECT_FALSE(last->drawing.has_value());
}

TEST(Book, RefusesWrongEntriesAndKeepsNothingOfThem) {
  TempFolder folder;
  Book book = filled_book(folder / "b.sqlite");
  const std::string before = must(book.export_files()).front().second;
  const auto nan = std::numeric_limits<double>::quiet_NaN();
  EXPECT_FALSE(book.add_plate({0, "Lock in snow", "copper", {150, 110}, {}, ""}));  // same title
  EXPECT_FALSE(book.add_plate({0, "", "copper", {150, 110}, {}, ""}));
  EXPECT_FALSE(book.add_plate({0, "Inches", "copper", {3, 4}, {}, ""}));
  EXPECT_FALSE(book.add_plate({0, "NaN", "copper", {nan, 110}, {}, ""}));
  EXPECT_FALSE(book.add_plate({0, "Thick", "copper", {150, 110}, 120.0, ""}));
  EXPECT_FALSE(book.add_bite({0, 1, 1, 0, {}, 0, "", ""}));
  EXPECT_FALSE(book.add_bite({0, 1, 1, 5000, {}, 0, "", ""}));
  EXPECT_FALSE(book.add_bite({0, 1, 1, nan, {}, 0, "", ""}));
  EXPECT_FALSE(book.add_bite({0, 1, 1, 2, 212.0, 0, "", ""}));
  EXPECT_FALSE(book.add_bite({0, 99, 1, 2, {}, 0, "", ""}));  // no such state
  EXPECT_FALSE(book.add_bite({0, 1, 1, 2, {}, 0, "2026-02-31", ""}));
  EXPECT_FALSE(book.add_lowering({0, 1, 3, "sand", "", ""}));
  EXPECT_FALSE(book.add_state(state_of(1, 2)));  // there already
  State bad = state_of(1, 9);
  bad.alignment = "{broken";
  EXPECT_FALSE(book.add_state(bad));
  // A plan whose second region repeats the first: neither state nor plan may stay.
  Book::Planned planned;
  planned.state = state_of(1, 4);
  planned.plan.text = "{}";
  planned.predictions = {prediction(1, 0.1, 0.4, 1, 1), prediction(1, 0.1, 0.4, 1, 1)};
  EXPECT_FALSE(book.add_planned(planned));
  EXPECT_EQ(must(book.export_files()).front().second, before);
  EXPECT_TRUE(must(book.check()).empty());
}

// A plan's plate, batch and state: what comes after a refused one, and what came before it, is gone.
TEST(Book, EntriesMadeTogetherAreAllThereOrNone) {
  TempFolder folder;
  Book book = filled_book(folder / "b.sqlite");
  const std::string before = must(book.export_files()).front().second;
  const Plate plate{0, "Boat house", "copper", {90, 70}, {}, ""};
  const auto refused = book.together([&]() -> Result<void> {
    EXPECT_TRUE(book.add_plate(plate));
    auto bite = book.add_bite({0, 99, 1, 2, {}, 0, "", ""});  // no such state
    EXPECT_FALSE(bite);
    return std::unexpected(bite.error());
  });
  ASSERT_FALSE(refused);
  EXPECT_EQ(must(book.export_files()).front().second, before);
  Id batch = 0;
  const auto kept = book.together([&]() -> Result<void> {
    EXPECT_TRUE(book.add_plate(plate));
    batch = must(book.add_batch({0, "two", "ferric chloride", "40 Be", "", {}}));
    return {};
  });
  ASSERT_TRUE(kept) << kept.error().what;
  EXPECT_EQ(must(book.plate("Boat house")).title, "Boat house");
  EXPECT_EQ(must(book.batch("two")).id, batch);
  EXPECT_TRUE(must(book.check()).empty());
}

TEST(Book, ExportImportExportGivesTheSameBytes) {
  TempFolder folder;
  Book book = filled_book(folder / "a.sqlite");
  const auto first = must(book.export_files());
  // book.json, wedge, plans and pictures, plans changed by hand, previews
  EXPECT_EQ(first.size(), 1U + 1 + 3 * 2 + 2 + 6);
  Book other = must(Book::open(folder / "b.sqlite", Book::Access::make));
  must(other.import_files(first));
  EXPECT_EQ(must(other.export_files()), first);
  EXPECT_TRUE(must(other.check()).empty());
  // Not into a book with entries; not with a file that is missing or was changed.
  EXPECT_FALSE(other.import_files(first));
  for (std::size_t i = 1; i < first.size(); ++i) {
    Book third = must(Book::open(folder / ("c" + std::to_string(i)), Book::Access::make));
    auto changed = first;
    changed[i].second += " ";
    EXPECT_FALSE(third.import_files(changed)) << first[i].first;
    changed.erase(changed.begin() + static_cast<std::ptrdiff_t>(i));
    EXPECT_FALSE(third.import_files(changed)) << first[i].first;
    EXPECT_TRUE(must(third.plates()).empty());
  }
}

TEST(Book, ImportRefusesWhatIsNoExport) {
  TempFolder folder;
  Book book = must(Book::open(folder / "b.sqlite", Book::Access::make));
  const auto good = must(book.export_files()).front().second;
  must(book.import_files({{"book.json", good}}));
  for (const std::string text :
       {"",
        "{}",
        "[",
        "null",
        "{\"format\":\"rebite-book\",\"version\":2}",
        "{\"format\":\"rebite-book\",\"version\":1,\"book_version\":1,\"tables\":{}}",
        "{\"format\":\"rebite-book\",\"version\":1,\"book_version\":1,\"tables\":{\"plates\":[{"
        "\"id; DROP TABLE plates\":1}]}}"}) {
    EXPECT_FALSE(book.import_files({{"book.json", text}})) << text;
  }
  EXPECT_FALSE(book.import_files({}));
  EXPECT_TRUE(must(book.check()).empty());
}

TEST(Book, CopiesWhileAnotherWritesAndNeverOverAFile) {
  TempFolder folder;
  Book book = filled_book(folder / "a.sqlite");
  Book writer = must(Book::open(folder / "a.sqlite", Book::Access::write));
  must(writer.add_plate({0, "Third", "copper", {80, 60}, {}, ""}));
  must(book.copy_to(folder / "copy.sqlite"));
  EXPECT_FALSE(book.copy_to(folder / "copy.sqlite"));
  EXPECT_FALSE(book.copy_to(folder / "a.sqlite"));
  EXPECT_FALSE(book.copy_to(folder.path() / "no folder" / "x"));
  Book copy = must(Book::open(folder / "copy.sqlite", Book::Access::read));
  EXPECT_EQ(must(copy.export_files()), must(book.export_files()));
  EXPECT_EQ(std::distance(fs::directory_iterator(folder.path()), {}), 2) << "something was left";
}

TEST(BookFile, RefusesWhatIsNoBook) {
  TempFolder folder;
  const auto kind = [&](const fs::path& file, Book::Access access) {
    const auto book = Book::open(file, access);
    return book ? ProblemKind::internal : book.error().kind;
  };
  EXPECT_EQ(kind(folder / "none", Book::Access::read), ProblemKind::no_input);
  EXPECT_EQ(kind(folder / "none", Book::Access::write), ProblemKind::no_input);
  EXPECT_EQ(kind(folder.path(), Book::Access::make), ProblemKind::data);
  EXPECT_EQ(kind(folder.path() / "a" / "b", Book::Access::make), ProblemKind::cannot_create);
  put_bytes(folder / "text", std::string(5000, 'x'));
  EXPECT_EQ(kind(folder / "text", Book::Access::make), ProblemKind::data);
  EXPECT_EQ(bytes_of(folder / "text"), std::string(5000, 'x'));
  put_bytes(folder / "empty", "");
  EXPECT_EQ(kind(folder / "empty", Book::Access::read), ProblemKind::data);
  {
    SQLite::Database other((folder / "other").string(),
                           SQLite::OPEN_READWRITE | SQLite::OPEN_CREATE);
    other.exec("CREATE TABLE t (a)");
  }
  EXPECT_EQ(kind(folder / "other", Book::Access::make), ProblemKind::data);
}

TEST(BookFile, RefusesANewerVersionUntouched) {
  TempFolder folder;
  filled_book(folder / "b.sqlite");
  {
    SQLite::Database db((folder / "b.sqlite").string(), SQLite::OPEN_READWRITE);
    db.exec("PRAGMA user_version = 7");
  }
  const auto before = bytes_of(folder / "b.sqlite");
  const auto book = Book::open(folder / "b.sqlite", Book::Access::write);
  ASSERT_FALSE(book.has_value());
  EXPECT_THAT(book.error().what, testing::HasSubstr("version 7"));
  EXPECT_EQ(bytes_of(folder / "b.sqlite"), before);
}

// Kept books and exports of every version that was ever given out (tests/book/kept): each is
// brought up to date and still tells the story that was written into it.
fs::path kept_file(const std::string& name) {
  return fs::path(REBITE_SOURCE_DIR) / "tests/book/kept" / name;
}
Book::Files kept_export(const std::string& name) {
  Book::Files files;
  for (const auto& file : fs::directory_iterator(kept_file(name))) {
    files.emplace_back(file.path().filename().string(), bytes_of(file.path()));
  }
  return files;
}
Book written_as(int version, const fs::path& file) {
  Book book = must(Book::open(file, Book::Access::make));
  fill_version_1(book);
  if (version >= 2) fill_version_2(book);
  if (version >= 3) fill_version_3(book);
  if (version >= 4) fill_version_4(book);
  return book;
}

class KeptBook : public testing::TestWithParam<int> {};
TEST_P(KeptBook, OpensAndTellsTheSameStory) {
  TempFolder folder;
  const fs::path kept = kept_file("version-" + std::to_string(GetParam()) + ".sqlite");
  ASSERT_TRUE(fs::exists(kept)) << "made by RemakeKeptBook";
  fs::copy_file(kept, folder / "b.sqlite");
  if (GetParam() < newest_version()) {
    // Reading does not change an old book, and says what to do.
    const auto only_read = Book::open(folder / "b.sqlite", Book::Access::read);
    ASSERT_FALSE(only_read.has_value());
    EXPECT_THAT(only_read.error().next, testing::HasSubstr("rebite book open"));
    EXPECT_EQ(bytes_of(folder / "b.sqlite"), bytes_of(kept));
  }
  Book book = must(Book::open(folder / "b.sqlite", Book::Access::make));
  EXPECT_EQ(book.version(), newest_version());
  EXPECT_TRUE(must(book.check()).empty());
  Book fresh = written_as(GetParam(), folder / "fresh.sqlite");
  EXPECT_EQ(must(book.export_files()), must(fresh.export_files()));
  // The old book stays beside it.
  EXPECT_EQ(fs::exists(folder / ("b.sqlite.version-" + std::to_string(GetParam()))),
            GetParam() < newest_version());
}
TEST_P(KeptBook, ItsExportIsImported) {
  TempFolder folder;
  Book book = must(Book::open(folder / "b.sqlite", Book::Access::make));
  must(book.import_files(kept_export("export-" + std::to_string(GetParam()))));
  EXPECT_TRUE(must(book.check()).empty());
  Book fresh = written_as(GetParam(), folder / "fresh.sqlite");
  EXPECT_EQ(must(book.export_files()), must(fresh.export_files()));
}
INSTANTIATE_TEST_SUITE_P(Versions, KeptBook, testing::Range(1, newest_version() + 1));

// Writes this version's kept book and export into the folder that REBITE_KEEP_BOOK names.
TEST(BookFile, RemakeKeptBook) {
  const char* folder = std::getenv("REBITE_KEEP_BOOK");
  if (!folder) GTEST_SKIP() << "set REBITE_KEEP_BOOK=FOLDER to write one";
  const std::string version = std::to_string(newest_version());
  Book book = filled_book(fs::path(folder) / ("version-" + version + ".sqlite"));
  must(files::write_folder(fs::path(folder) / ("export-" + version), must(book.export_files())));
}

TEST(Migration, StepsAreOneTransactionEach) {
  TempFolder folder;
  filled_book(folder / "b.sqlite");
  Store store(folder / "b.sqlite", SQLite::OPEN_READWRITE);
  std::vector<const char*> steps(migrations().begin(), migrations().end());
  steps.push_back("ALTER TABLE plates ADD COLUMN maker TEXT; UPDATE plates SET maker = 'x';");
  // The second of these fails half-way: its first half must not stay, the step before must.
  steps.push_back("ALTER TABLE plates ADD COLUMN half TEXT; INSERT INTO nowhere VALUES (1);");
  EXPECT_FALSE(bring_up(store, steps));
  EXPECT_EQ(store.db().execAndGet("PRAGMA user_version").getInt(), newest_version() + 1);
  const auto columns = [&] {
    return store.db()
        .execAndGet("SELECT group_concat(name) FROM pragma_table_info('plates')")
        .getString();
  };
  EXPECT_THAT(columns(), testing::HasSubstr("maker"));
  EXPECT_THAT(columns(), testing::Not(testing::HasSubstr("half")));
  steps.back() = "ALTER TABLE plates ADD COLUMN half TEXT;";
  EXPECT_TRUE(bring_up(store, steps));
  EXPECT_EQ(store.db().execAndGet("PRAGMA user_version").getInt(), newest_version() + 2);
  EXPECT_EQ(store.db().execAndGet("SELECT count(*) FROM plates").getInt(), 2);
}

TEST(BookFile, KeepsItsPromisesToSqlite) {
  TempFolder folder;
  filled_book(folder / "b.sqlite");
  Store store(folder / "b.sqlite", SQLite::OPEN_READWRITE);
  EXPECT_EQ(store.db().execAndGet("PRAGMA journal_mode").getString(), "delete");
  EXPECT_EQ(store.db().execAndGet("PRAGMA synchronous").getInt(), 2);
  EXPECT_EQ(store.db().execAndGet("PRAGMA foreign_keys").getInt(), 1);
  EXPECT_EQ(store.db().execAndGet("PRAGMA busy_timeout").getInt(), 5000);
  EXPECT_EQ(store.db().execAndGet("PRAGMA application_id").getInt(), application_id);
  EXPECT_EQ(store.db()
                .execAndGet("SELECT count(*) FROM pragma_table_list WHERE schema='main' AND "
                            "name NOT LIKE 'sqlite_%' AND NOT strict")
                .getInt(),
            0);
}

}  // namespace
}  // namespace rebite::book
