// Names and places that a printmaker's folder may have: table 4.2 "paths". No shell is ever called,
// so that nothing in a name can be a command.
#include <gtest/gtest.h>
#include <sys/stat.h>
#include <unistd.h>

#include <fstream>
#include <nlohmann/json.hpp>

#include "tests/faults/child.h"

namespace rebite::faults {
namespace {
namespace fs = std::filesystem;

// Copies a scan under this name in this folder, calibrates a scanner from it, writes beside it.
Ended scanner_in(const fs::path& folder, const std::string& scan, const std::string& out) {
  std::error_code error;
  fs::create_directories(folder, error);
  fs::copy_file(material("greys.tif"), folder / scan, fs::copy_options::overwrite_existing, error);
  return run_program({"scanner",
                      (folder / scan).string(),
                      "--densities",
                      "0.07,0.30,0.62,1.00,1.42,1.65",
                      "--out",
                      (folder / out).string()});
}

struct NameCase {
  std::string what, folder, file;
};
class OddNames : public testing::TestWithParam<NameCase> {};

TEST_P(OddNames, Work) {
  const WorkFolder work;
  const auto& c = GetParam();
  const fs::path folder = work / c.folder;
  const auto ended = scanner_in(folder, c.file + ".tif", c.file + ".json");
  EXPECT_EQ(ended.code, 0) << ended.err;
  const std::string json = read_all(folder / (c.file + ".json"));
  EXPECT_EQ(json.substr(0, 1), "{");
  EXPECT_EQ(std::distance(fs::directory_iterator(folder), {}), 2) << "something else was left";
  // And told without breaking the line, when it is missing.
  const auto missing = run_program({"read", (folder / (c.file + ".gone")).string(), "--at", "1,1"});
  EXPECT_EQ(missing.code, 66);
  EXPECT_LE(std::count(missing.err.begin(), missing.err.end(), '\n'), 2) << missing.err;
}

INSTANTIATE_TEST_SUITE_P(Paths,
                         OddNames,
                         testing::Values(NameCase{"Spaces", "my plates", "state 2 proof"},
                                         NameCase{"Quotes", "it's \"mine\"", "'a' \"b\" `c` $(d)"},
                                         NameCase{"Newline", "two\nlines", "a\nb"},
                                         NameCase{"Semicolon", "a;touch b", "a&b|c"},
                                         NameCase{"Backslash", "a\\b", "c\\n"},
                                         NameCase{"NotUtf8", "caf\xe9", "\xff\xfe"},
                                         NameCase{"Emoji", "\xf0\x9f\x8e\xa8", "\xe2\x9c\x92"},
                                         NameCase{"Composed", "\xc3\xa9", "\xc3\xa9"},
                                         NameCase{"Decomposed", "e\xcc\x81", "e\xcc\x81"},
                                         NameCase{"LongName", "l", std::string(250, 'n')},
                                         NameCase{"Escapes", "\x1b[31m", "\x1b[2J"}),
                         [](const auto& test) { return test.param.what; });

TEST(Paths, AnUnwritableNameIsShownSafely) {
  const auto ended = run_program({"read", "/nowhere/\x1b[2J\nrebite: done", "--at", "1,1"});
  EXPECT_EQ(ended.code, 66);
  EXPECT_EQ(ended.err.find('\x1b'), std::string::npos);
}

TEST(Paths, AVeryLongPathIsRefusedOrWorks) {
  const WorkFolder work;
  std::string path = work.path().string();
  while (path.size() < 4200) path += "/" + std::string(200, 'd');
  const auto ended = run_program({"read", path + "/x.tif", "--at", "1,1"});
  EXPECT_EQ(ended.code, 66) << ended.err;
  const auto out = run_program({"scanner",
                                material("greys.tif"),
                                "--densities",
                                "0.07,0.30,0.62,1.00,1.42,1.65",
                                "--out",
                                path + "/x.json"});
  EXPECT_EQ(out.code, 73) << out.err;
}

TEST(Paths, ALeadingDashNeedsTheUsualTwoDashesOrADotSlash) {
  const WorkFolder work;
  fs::copy_file(material("proof.tif"), work / "-proof.tif");
  Conditions here{.folder = work.path()};
  EXPECT_EQ(run_program({"read", "./-proof.tif", "--at", "150,150"}, here).code, 0);
  const auto dashes = run_program({"read", "--at", "150,150", "--", "-proof.tif"}, here);
  EXPECT_EQ(dashes.code, 0) << dashes.err;
  EXPECT_EQ(run_program({"read", "-proof.tif", "--at", "150,150"}, here).code, 64);
}

TEST(Paths, ALinkAsInputIsFollowed) {
  const WorkFolder work;
  fs::create_symlink(material("proof.tif"), work / "link.tif");
  EXPECT_EQ(run_program({"read", (work / "link.tif").string(), "--at", "150,150"}).code, 0);
  fs::create_symlink("loop.tif", work / "loop.tif");
  EXPECT_EQ(run_program({"read", (work / "loop.tif").string(), "--at", "150,150"}).code, 66);
}

TEST(Paths, AnOutputThatIsAnInputThroughALinkIsRefused) {
  const WorkFolder work;
  fs::copy_file(material("greys.tif"), work / "greys.tif");
  const std::string before = read_all(work / "greys.tif");
  fs::create_symlink("greys.tif", work / "soft");
  fs::create_hard_link(work / "greys.tif", work / "hard");
  for (const char* out : {"greys.tif", "soft", "hard", "./greys.tif"}) {
    const auto ended = run_program({"scanner",
                                    (work / "greys.tif").string(),
                                    "--densities",
                                    "0.07,0.30,0.62,1.00,1.42,1.65",
                                    "--out",
                                    (work / out).string()});
    EXPECT_EQ(ended.code, 64) << out << ": " << ended.err;
    EXPECT_EQ(read_all(work / "greys.tif"), before);
  }
}

TEST(Paths, DevicesAreNoScans) {
  for (const char* device :
       {"/dev/stdin", "/dev/zero", "/dev/null", "/dev/full", "/proc/self/mem"}) {
    const auto ended =
        run_program({"read", device, "--at", "1,1"}, {.give_up = std::chrono::seconds(10)});
    EXPECT_FALSE(ended.hung) << device;
    EXPECT_TRUE(ended.code == 65 || ended.code == 66) << device << ' ' << ended.code;
    EXPECT_NE(ended.err.find(device), std::string::npos) << ended.err;
  }
}

// A folder in which nothing may be written: told with its name, and nothing in it changes.
TEST(Paths, AReadOnlyFolderIsToldAndLeftAlone) {
  const WorkFolder work;
  const fs::path locked = work / "locked";
  fs::create_directory(locked);
  const std::string book = (locked / "book.sqlite").string();
  ASSERT_EQ(run_program({"book", "plate", "Older", "--size", "40x30", "--book", book}).code, 0);
  put(locked / "old.json", "old");
  fs::permissions(locked, fs::perms(0555));
  const Snapshot before = snapshot(locked);
  const std::vector<std::vector<std::string>> all{
      {"scanner",
       material("greys.tif"),
       "--densities",
       "0.07,0.30,0.62,1.00,1.42,1.65",
       "--out",
       (locked / "old.json").string()},
      {"wedge",
       material("wedge.tif"),
       "--times",
       "0s,30s,1min,2min,4min,8min,16min",
       "--out",
       (locked / "new.json").string()},
      {"plan",
       material("proof.tif"),
       material("drawing.tif"),
       "--plate",
       "40x30",
       "--out",
       (locked / "plan").string()},
      {"book", "plate", "Later", "--size", "40x30", "--book", book},
      {"book", "plate", "Later", "--size", "40x30", "--book", (locked / "new.sqlite").string()}};
  for (const auto& words : all) {
    const auto ended = run_program(words, {.as_nobody = true});
    EXPECT_EQ(ended.code, 73) << words[0] << ": " << ended.err;
    EXPECT_NE(ended.err.find("locked"), std::string::npos) << ended.err;
    EXPECT_EQ(snapshot(locked), before) << words[0];
  }
  // Looking into the book needs no right to write.
  EXPECT_EQ(run_program({"book", "list", "--book", book}, {.as_nobody = true}).code, 0);
  // Nor does a scan that may not be read go unnamed.
  fs::copy_file(material("proof.tif"), work / "secret.tif");
  fs::permissions(work / "secret.tif", fs::perms(0200));
  const auto secret =
      run_program({"read", (work / "secret.tif").string(), "--at", "9,9"}, {.as_nobody = true});
  EXPECT_EQ(secret.code, 66);
  EXPECT_NE(secret.err.find("secret.tif"), std::string::npos) << secret.err;
  fs::permissions(locked, fs::perms(0755));
}

// Nothing is kept in a home folder, so that none is needed: not for scans, nor for the book.
TEST(Paths, NoHomeNoTermNoPath) {
  for (const char* gone : {"HOME", "TMPDIR", "PATH", "LC_ALL"}) {
    const auto ended =
        run_program({"read", material("proof.tif"), "--at", "150,150"}, {.without = {gone}});
    EXPECT_EQ(ended.code, 0) << gone << ended.err;
    const WorkFolder work;
    const Conditions here{.without = {gone}, .folder = work.path()};
    EXPECT_EQ(run_program({"book", "plate", "Lock", "--size", "40x30"}, here).code, 0) << gone;
    EXPECT_EQ(run_program({"book", "list"}, here).code, 0) << gone;
    EXPECT_EQ(snapshot(work.path()).size(), 1U) << "only the book";
  }
  const auto away = run_program({"read", material("proof.tif"), "--at", "150,150"},
                                {.environment = {{"HOME", "/proc/nowhere"}}});
  EXPECT_EQ(away.code, 0) << away.err;
}

// A whole plan out of and into folders whose names break lines, as a careless paste makes them.
TEST(Paths, AFolderWithANewlineHoldsAWholePlan) {
  const WorkFolder work;
  const fs::path folder = work / "winter\nplates";
  fs::create_directory(folder);
  for (const char* name : {"proof.tif", "drawing.tif"})
    fs::copy_file(material(name), folder / name);
  const std::string book = (folder / "the\nbook.sqlite").string();
  const auto ended = run_program({"plan",
                                  (folder / "proof.tif").string(),
                                  (folder / "drawing.tif").string(),
                                  "--plate",
                                  "40x30",
                                  "--out",
                                  (folder / "state\n3").string(),
                                  "--record",
                                  "Lock\nin snow",
                                  "--book",
                                  book});
  ASSERT_EQ(ended.code, 0) << ended.err;
  const auto json = nlohmann::json::parse(read_all(folder / "state\n3/plan.json"), nullptr, false);
  EXPECT_FALSE(json.is_discarded());
  EXPECT_EQ(ended.err.find("winter\nplates"), std::string::npos) << "a name broke a line";
  EXPECT_EQ(run_program({"book", "check", "--book", book}).code, 0);
}

// A folder that was renamed away or deleted while the program stands in it.
TEST(Paths, AFolderRemovedUnderTheProgramIsTold) {
  const auto ended = run_program({"scanner",
                                  material("greys.tif"),
                                  "--densities",
                                  "0.07,0.30,0.62,1.00,1.42,1.65",
                                  "--out",
                                  "gone/../x.json"});
  EXPECT_EQ(ended.code, 73) << ended.err;
}

}  // namespace
}  // namespace rebite::faults
