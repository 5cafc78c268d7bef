#include "files/files.h"

#include <gtest/gtest.h>
#include <sys/stat.h>
#include <unistd.h>

#include <chrono>
#include <fstream>
#include <iterator>
#include <new>
#include <thread>

#include "files/put_whole.h"
#include "files/seal.h"

namespace rebite::files {
namespace {
namespace fs = std::filesystem;

class Files : public ::testing::Test {
 protected:
  void SetUp() override {
    dir = fs::temp_directory_path() /
          ("rebite-files-" + std::to_string(::getpid()) + "-" +
           ::testing::UnitTest::GetInstance()->current_test_info()->name());
    fs::remove_all(dir);
    fs::create_directories(dir);
  }
  void TearDown() override { fs::remove_all(dir); }
  std::size_t entries() const {
    return static_cast<std::size_t>(std::distance(fs::directory_iterator(dir), {}));
  }
  fs::path dir;
};

// Examples of FIPS 180-4 (NIST, "Secure Hash Standard" example values).
TEST_F(Files, Sha256OfTheStandardsExamples) {
  EXPECT_EQ(sha256("abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  EXPECT_EQ(sha256(""), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
  EXPECT_EQ(sha256("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"),
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
  ASSERT_TRUE(write_atomically(dir / "a", std::string(1000000, 'a')));
  EXPECT_EQ(*sha256_of_file(dir / "a"),
            "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
}

TEST_F(Files, WritesAndReplacesWhole) {
  const fs::path file = dir / "plan.json";
  ASSERT_TRUE(write_atomically(file, "old"));
  ASSERT_TRUE(write_atomically(file, "new and longer"));
  EXPECT_EQ(*read_bytes(file), "new and longer");
  EXPECT_EQ(entries(), 1U) << "a temporary was left behind";
}

TEST_F(Files, ReadingRefusesWithTheReason) {
  EXPECT_EQ(read_bytes(dir / "missing").error().kind, ProblemKind::no_input);
  EXPECT_EQ(read_bytes(dir).error().kind, ProblemKind::no_input);
  ASSERT_EQ(::mkfifo((dir / "pipe").c_str(), 0600), 0);
  EXPECT_EQ(read_bytes(dir / "pipe").error().kind, ProblemKind::no_input) << "must not hang";
  ASSERT_TRUE(write_atomically(dir / "big", "0123456789"));
  EXPECT_EQ(read_bytes(dir / "big", 5).error().kind, ProblemKind::data);
}

TEST_F(Files, WritingRefusesWhereThereIsNoFolder) {
  const auto done = write_atomically(dir / "none" / "x", "1");
  ASSERT_FALSE(done);
  EXPECT_EQ(done.error().kind, ProblemKind::cannot_create);
  EXPECT_EQ(write_atomically(dir, "1").error().kind, ProblemKind::cannot_create);
}

TEST_F(Files, AFullDiskIsAnIoProblem) {
  // /dev/full answers every write with ENOSPC; as a target it is refused as no file at all.
  EXPECT_FALSE(write_atomically("/dev/full", "1"));
}

TEST_F(Files, ALongNameStillWorks) {
  const fs::path file = dir / std::string(255, 'n');
  ASSERT_TRUE(write_atomically(file, "x"));
  EXPECT_EQ(*read_bytes(file), "x");
}

TEST_F(Files, ALinkKeepsPointing) {
  ASSERT_TRUE(write_atomically(dir / "real", "1"));
  fs::create_symlink("real", dir / "link");
  ASSERT_TRUE(write_atomically(dir / "link", "2"));
  EXPECT_TRUE(fs::is_symlink(dir / "link"));
  EXPECT_EQ(*read_bytes(dir / "real"), "2");
}

TEST_F(Files, AFolderAppearsComplete) {
  ASSERT_TRUE(write_folder(dir / "plan", {{"a", "1"}, {"b", "2"}}));
  EXPECT_EQ(*read_bytes(dir / "plan/a"), "1");
  ASSERT_TRUE(write_folder(dir / "plan/", {{"a", "3"}, {"b", "4"}}));
  EXPECT_EQ(*read_bytes(dir / "plan/b"), "4");
  EXPECT_EQ(entries(), 1U);
}

TEST_F(Files, AFolderKeepsFilesThatAreNotOurs) {
  fs::create_directories(dir / "plan");
  ASSERT_TRUE(write_atomically(dir / "plan/notes.txt", "mine"));
  ASSERT_TRUE(write_folder(dir / "plan", {{"a", "1"}}));
  EXPECT_EQ(*read_bytes(dir / "plan/notes.txt"), "mine");
  EXPECT_EQ(*read_bytes(dir / "plan/a"), "1");
  EXPECT_EQ(entries(), 1U);
}

ino_t inode(const fs::path& file) {
  struct stat about {};
  EXPECT_EQ(::stat(file.c_str(), &about), 0);
  return about.st_ino;
}

// In one step, so that nobody sees a mixture; to the user it is the same folder as before.
TEST_F(Files, AFolderWithFilesThatAreNotOursIsSwappedWhole) {
  fs::create_directories(dir / "plan");
  fs::permissions(dir / "plan", fs::perms::owner_all | fs::perms::group_exec);
  ASSERT_TRUE(write_atomically(dir / "plan/notes.txt", "mine"));
  const auto notes = inode(dir / "plan/notes.txt"), folder = inode(dir / "plan");
  ASSERT_TRUE(write_folder(dir / "plan", {{"a", "1"}}));
  EXPECT_NE(inode(dir / "plan"), folder);
  EXPECT_EQ(inode(dir / "plan/notes.txt"), notes);
  EXPECT_EQ(fs::hard_link_count(dir / "plan/notes.txt"), 1U);
  EXPECT_EQ(fs::status(dir / "plan").permissions(), fs::perms::owner_all | fs::perms::group_exec);
}

// Somebody's editor saves, by renaming, while the folder is swapped again and again.
TEST_F(Files, NothingThatIsSavedMeanwhileIsLost) {
  fs::create_directories(dir / "plan");
  ASSERT_TRUE(write_atomically(dir / "plan/notes.txt", "0"));
  int swaps = 0;
  std::string seen;
  {
    const std::jthread writer([&](const std::stop_token& stop) {
      while (!stop.stop_requested()) {
        swaps += write_folder(dir / "plan", {{"a", "1"}, {"b", "2"}}).has_value();
      }
    });
    for (int n = 1; n <= 400; ++n) {
      std::ofstream(dir / "draft") << n;
      std::error_code in_the_old_one;  // which is being removed: an editor tells, and saves again
      do {
        fs::rename(dir / "draft", dir / "plan/notes.txt", in_the_old_one);
      } while (in_the_old_one);
      for (int tries = 0; tries < 200; ++tries) {  // for a moment the older one may be seen
        seen = read_bytes(dir / "plan/notes.txt").value_or("");
        if (seen == std::to_string(n)) break;
        std::this_thread::sleep_for(std::chrono::milliseconds(5));
      }
      if (seen != std::to_string(n)) break;
    }
  }
  EXPECT_EQ(seen, "400");
  EXPECT_GT(swaps, 5);
  EXPECT_EQ(entries(), 1U);
}

// A journal that had a second name would take back what was committed meanwhile; a folder that
// somebody stands in must not be taken from under him.
TEST_F(Files, AFolderWithADatabaseOrUnderfootIsNotSwapped) {
  using namespace std::string_literals;
  for (const auto& [name, bytes] : {std::pair{"book.sqlite"s, "SQLite format 3\0..."s},
                                    std::pair{"book.sqlite-journal"s, ""s}}) {
    fs::create_directories(dir / name);
    ASSERT_TRUE(write_atomically(dir / name / name, bytes));
    const auto folder = inode(dir / name);
    ASSERT_TRUE(write_folder(dir / name, {{"a", "1"}}));
    EXPECT_EQ(inode(dir / name), folder);
    EXPECT_EQ(*read_bytes(dir / name / "a"), "1");
  }
  fs::create_directories(dir / "here");
  const auto folder = inode(dir / "here");
  const fs::path before = fs::current_path();
  fs::current_path(dir / "here");
  ASSERT_TRUE(write_folder(dir / "here", {{"a", "1"}}));
  fs::current_path(before);
  EXPECT_EQ(inode(dir / "here"), folder);
}

TEST_F(Files, AFolderOfOnesOwnStaysToo) {  // a folder has no second name: file by file
  fs::create_directories(dir / "plan/trials");
  ASSERT_TRUE(write_atomically(dir / "plan/trials/one.txt", "mine"));
  ASSERT_TRUE(write_atomically(dir / "plan/b", "old"));
  ASSERT_TRUE(write_folder(dir / "plan", {{"a", "1"}, {"b", "2"}}));
  EXPECT_EQ(*read_bytes(dir / "plan/trials/one.txt"), "mine");
  EXPECT_EQ(*read_bytes(dir / "plan/a"), "1");
  EXPECT_EQ(*read_bytes(dir / "plan/b"), "2");
  EXPECT_EQ(entries(), 1U);
}

TEST_F(Files, ABookOrAScanIsNotReplacedByAnotherKind) {
  using namespace std::string_literals;
  const std::string book = "SQLite format 3\0..."s, png = "\x89PNG\r\n\x1a\n..."s,
                    tiff = "II*\0..."s, jpeg = "\xff\xd8\xff..."s,
                    batch = "{\n  \"format\" : \"rebite-batch\", ..."s,
                    curve = "{\"format\":\"rebite-scanner\"}"s;
  for (const std::string& old : {book, png, tiff, jpeg, batch, curve}) {
    ASSERT_TRUE(write_atomically(dir / "precious", old));
    EXPECT_TRUE(may_replace(dir / "precious", old));
    for (const std::string& other : {"<html>"s, "{}"s, old == png ? tiff : png}) {
      const auto refused = write_atomically(dir / "precious", other);
      ASSERT_FALSE(refused);
      EXPECT_EQ(refused.error().kind, ProblemKind::cannot_create);
      EXPECT_FALSE(write_folder(dir, {{"precious", other}}));
      EXPECT_EQ(*read_bytes(dir / "precious"), old);
    }
    EXPECT_TRUE(write_atomically(dir / "precious", old + "newer"));  // its own kind may
    ASSERT_TRUE(fs::remove(dir / "precious"));
  }
}

TEST_F(Files, ALinkToNowhereIsRefusedAndStays) {
  fs::create_symlink(dir / "gone", dir / "link");
  EXPECT_EQ(write_atomically(dir / "link", "x").error().kind, ProblemKind::cannot_create);
  EXPECT_TRUE(fs::is_symlink(dir / "link"));
}

TEST_F(Files, AStampTellsAnotherFileInItsPlace) {
  EXPECT_EQ(stamp_of(dir / "s"), Stamp{});
  ASSERT_TRUE(write_atomically(dir / "s", "one"));
  const Stamp before = stamp_of(dir / "s");
  EXPECT_EQ(stamp_of(dir / "s"), before);
  ASSERT_TRUE(write_atomically(dir / "s", "two"));
  EXPECT_NE(stamp_of(dir / "s"), before);
}

TEST_F(Files, AFileInTheWayOfAFolderIsKept) {
  ASSERT_TRUE(write_atomically(dir / "plan", "a file"));
  EXPECT_EQ(write_folder(dir / "plan", {{"a", "1"}}).error().kind, ProblemKind::cannot_create);
  EXPECT_EQ(*read_bytes(dir / "plan"), "a file");
  EXPECT_EQ(entries(), 1U);
}

TEST_F(Files, AFolderThatWasFilledOverMinutesIsPutInPlaceWhole) {
  ASSERT_TRUE(make_folders(dir / "new/pictures"));
  ASSERT_TRUE(write_unpublished(dir / "new/a", "1"));
  ASSERT_TRUE(write_unpublished(dir / "new/pictures/b", "2"));
  EXPECT_FALSE(write_unpublished(dir / "new/a", "3")) << "it exists";
  ASSERT_TRUE(put_whole_folder(dir / "new", dir / "plan"));
  EXPECT_EQ(*read_bytes(dir / "plan/pictures/b"), "2");
  EXPECT_EQ(entries(), 1U);
  // A name that is taken: both stay as they are.
  ASSERT_TRUE(make_folders(dir / "later"));
  ASSERT_TRUE(write_unpublished(dir / "later/a", "4"));
  EXPECT_EQ(put_whole_folder(dir / "later", dir / "plan").error().kind, ProblemKind::cannot_create);
  EXPECT_EQ(*read_bytes(dir / "plan/a"), "1");
  EXPECT_EQ(*read_bytes(dir / "later/a"), "4");
}

// A plan that could not be kept, a wedge that could not be measured.
TEST_F(Files, AFolderThatIsNotPutInPlaceGoes) {
  try {
    const UnpublishedFolder fresh(dir / "plans");
    ASSERT_TRUE(fresh.make());
    ASSERT_TRUE(write_unpublished(fresh.path() / "a", "1"));
    throw std::bad_alloc();
  } catch (const std::bad_alloc&) {
    EXPECT_TRUE(fs::is_empty(dir / "plans"));
  }
  {
    const UnpublishedFolder fresh(dir / "plans");
    ASSERT_TRUE(fresh.make());
    ASSERT_TRUE(write_unpublished(fresh.path() / "a", "2"));
    ASSERT_TRUE(put_whole_folder(fresh.path(), dir / "plans/1"));
  }
  EXPECT_EQ(*read_bytes(dir / "plans/1/a"), "2");
  // A program that is ended in the middle takes it along.
  EXPECT_EXIT(
      {
        const UnpublishedFolder fresh(dir / "plans");
        if (fresh.make() && write_unpublished(fresh.path() / "a", "3")) abandon_writing();
        ::_exit(5);
      },
      testing::ExitedWithCode(5),
      "");
  EXPECT_EQ(std::distance(fs::directory_iterator(dir / "plans"), fs::directory_iterator()), 1);
}

TEST_F(Files, StaleTemporariesAreSwept) {
  const fs::path stale = dir / ".rebite-tmp-1-0";
  std::ofstream(stale) << "half";
  fs::last_write_time(stale, fs::file_time_type::clock::now() - std::chrono::hours(2));
  std::ofstream(dir / ".rebite-tmp-2-0") << "just being written";
  sweep_stale(dir);
  EXPECT_FALSE(fs::exists(stale));
  EXPECT_EQ(entries(), 1U);
}

TEST(Seal, HoldsOverSpacesAndBreaksWithAnyValue) {
  nlohmann::ordered_json good = {
      {"minutes", 1.5}, {"density", {0.1, 0.35}}, {"name", "ferric \xff"}};
  EXPECT_FALSE(seal_broken(good)) << "without a seal it is taken as it is";
  seal(good);
  const auto written =
      good.dump(3, ' ', false, nlohmann::ordered_json::error_handler_t::replace) + "\r\n";
  const auto read = nlohmann::ordered_json::parse(written);
  EXPECT_FALSE(seal_broken(read));
  auto changed = read;
  changed["density"][1] = 0.36;
  EXPECT_TRUE(seal_broken(changed));
  changed = read;
  changed["more"] = 1;
  EXPECT_TRUE(seal_broken(changed));
  changed = read;
  changed["seal"] = 7;
  EXPECT_TRUE(seal_broken(changed));
  seal(changed);
  EXPECT_FALSE(seal_broken(changed));
}

TEST(Shown, ControlCharactersDoNotReachTheTerminal) {
  EXPECT_EQ(shown("a\nb\x1b[31m"), "a?b?[31m");
  EXPECT_EQ(shown("a\u009b31m\u0085b"), "a?31m?b");
  EXPECT_EQ(shown("proof\u202efit.\u2066x"), "proof?fit.?x");
  EXPECT_EQ(shown("Schnee \u00e4\u20ac\u2013"), "Schnee \u00e4\u20ac\u2013");  // letters stay
}

}  // namespace
}  // namespace rebite::files
