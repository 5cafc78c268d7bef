// The record book from the command line, as a printmaker keeps it.
#include <gmock/gmock.h>

#include <nlohmann/json.hpp>

#include "scan/write_scan.h"
#include "tests/book/books.h"
#include "tests/cli/run_rebite.h"

namespace rebite::cli {
namespace {
using book::bytes_of;
using book::put_bytes;
using Json = nlohmann::json;
using testing::HasSubstr;

class BookCommands : public testing::Test {
 protected:
  std::string file(const std::string& name) const { return (folder_ / name).string(); }
  Said book(std::vector<std::string> words, const std::string& name = "b.sqlite") const {
    words.insert(words.begin(), "book");
    words.insert(words.end(), {"--book", file(name)});
    return run_rebite(words);
  }
  // What it prints; it must have gone well and said nothing else.
  std::string done(const std::vector<std::string>& words) const {
    const Said said = book(words);
    EXPECT_EQ(said.code, 0) << said.err;
    EXPECT_EQ(said.err, "");
    return said.out;
  }
  void refused(const std::vector<std::string>& words, int code, const std::string& why) const {
    const Said said = book(words);
    EXPECT_EQ(said.code, code) << said.err;
    EXPECT_EQ(said.out, "");
    EXPECT_THAT(said.err, HasSubstr(why));
    EXPECT_LE(std::ranges::count(said.err, '\n'), 2) << said.err;
  }
  Json json(std::vector<std::string> words) const {
    words.emplace_back("--json");
    return Json::parse(done(words));
  }
  // A scan of a sheet as grey as it gets: the book looks at its size and its sum only.
  void scan(const std::string& name, int grey) const {
    put_bytes(folder_ / name, scan::png_bytes(cv::Mat1b(60, 80, static_cast<uchar>(grey)), 4));
  }
  // Opened, one plate, one batch, one state, one dip, one lowering.
  void fill() const {
    done({"plate", "Lock in snow", "--size", "150x110", "--thickness", "1.2"});
    put_bytes(folder_ / "ferric-7.batch.json", wedge::to_json(book::lock_batch()));
    done({"batch", file("ferric-7.batch.json"), "--volume", "4", "--mixed-on", "2026-01-20"});
    done({"ground", "rosin, fine", "--note", "two dustings"});
    scan("proof.png", 200);
    scan("drawing.png", 180);
    done({"state",
          "Lock in snow",
          "--date",
          "2026-02-01",
          "--proof",
          file("proof.png"),
          "--drawing",
          file("drawing.png"),
          "--impressions",
          "3"});
    done({"bite",
          "Lock in snow",
          "--stage",
          "1",
          "--time",
          "0:45",
          "--temperature",
          "66F",
          "--batch",
          "ferric-7",
          "--date",
          "2026-02-02",
          "--note",
          "still bath"});
    done({"lower", "Lock in snow", "--how", "burnish", "--date", "2026-02-02"});
  }
  book::TempFolder folder_;
};

TEST_F(BookCommands, AWrongEntryIsStruckOutAndStaysToBeSeen) {
  fill();
  refused({"strike", "Lock in snow"}, 64, "not said what");
  refused({"strike", "Lock in snow", "--stage", "1", "--region", "3"}, 64, "--lowering");
  refused({"strike", "Lock in snow", "--stage", "2"}, 65, "no bite of stage 2");
  EXPECT_THAT(done({"strike", "lock in snow", "--stage", "1", "--why", "another plate's"}),
              HasSubstr("0:45 at stage 1: struck out"));
  refused({"strike", "Lock in snow", "--stage", "1"}, 65, "no bite of stage 1 that counts");
  EXPECT_THAT(done({"strike", "Lock in snow", "--lowering"}), HasSubstr("burnish"));
  const std::string shown = done({"show", "Lock in snow"});
  EXPECT_THAT(shown, HasSubstr("0:45"));
  EXPECT_THAT(shown, HasSubstr("another plate's)"));
  const Json story = json({"show", "Lock in snow"});
  EXPECT_EQ(story["states"][0]["bites"][0]["struck_out"], "another plate's");
  EXPECT_TRUE(story["states"][0]["lowerings"][0].contains("struck_out"));
}

TEST_F(BookCommands, APlateHasANameAndOneSpelling) {
  refused({"plate", "", "--size", "150x110"}, 64, "no name");
  done({"plate", "Lock in snow", "--size", "150x110"});
  refused({"plate", "LOCK in snow", "--size", "150x110"}, 65, "'Lock in snow'");
  EXPECT_THAT(done({"show", "lock in snow"}), HasSubstr("Lock in snow"));
}

TEST_F(BookCommands, WhatIsEnteredIsListedAndShown) {
  EXPECT_THAT(done({"open"}), HasSubstr("the book is open"));
  EXPECT_THAT(done({"list"}), HasSubstr("No plates yet"));
  fill();
  const Json list = json({"list"});
  EXPECT_EQ(list["plates"][0]["title"], "Lock in snow");
  EXPECT_EQ(list["plates"][0]["states"], 1);
  EXPECT_EQ(list["batches"][0]["volume_l"], 4);
  EXPECT_EQ(list["grounds"][0]["note"], "two dustings");
  const Json story = json({"show", "Lock in snow"});
  EXPECT_EQ(story["thickness_mm"], 1.2);
  EXPECT_EQ(story["states"][0]["impressions_printed"], 3);
  EXPECT_EQ(story["states"][0]["bites"][0]["minutes"], 0.75);
  EXPECT_NEAR(story["states"][0]["bites"][0]["temperature_c"], 18.889, 1e-3);  // (66-32)*5/9
  EXPECT_EQ(story["states"][0]["lowerings"][0]["how"], "burnish");
  EXPECT_EQ(story["states"][0]["proofs"][0]["sha256"],
            files::sha256(bytes_of(folder_ / "proof.png")));
  const std::string text = done({"show", "Lock in snow", "--html", file("story.html")});
  EXPECT_THAT(text, HasSubstr("stage 1: 0:45 at 18.9"));
  const std::string page = bytes_of(folder_ / "story.html");
  EXPECT_THAT(page, HasSubstr("data:image/png;base64,"));
  EXPECT_THAT(page, testing::Not(HasSubstr("<script")));
  EXPECT_THAT(page, testing::Not(testing::ContainsRegex("(src|href)=\"(http|/|file)")));
  const Json batch = json({"batch", "ferric-7", "--plot", file("drift.svg")});
  EXPECT_EQ(batch["states_compared"], 0);
  EXPECT_EQ(batch["speed"], 1);
  EXPECT_THAT(bytes_of(folder_ / "drift.svg"), testing::EndsWith("</svg>\n"));
  EXPECT_THAT(bytes_of(folder_ / "drift-reached.svg"), testing::EndsWith("</svg>\n"));
}

TEST_F(BookCommands, RefusalsSayWhatToDo) {
  refused({"list"}, 66, "rebite book open");
  refused({"plate", "Lock in snow", "--size", "150"}, 64, "180x130");
  refused({"plate", "Lock in snow"}, 64, "--size");
  fill();
  refused({"plate", "Lock in snow", "--size", "150x110"}, 65, "Lock in snow");
  refused({"bite", "Lock in snow", "--stage", "1", "--time", "45"}, 64, "15s");
  refused({"bite", "Towpath", "--stage", "1", "--time", "45s"}, 65, "Lock in snow");
  refused({"bite", "Lock in snow", "--stage", "1", "--time", "45s", "--state", "9"}, 65, "9");
  refused({"lower", "Lock in snow", "--how", "sand"}, 64, "burnish");
  refused({"state", "Lock in snow", "--proof", file("none.tif")}, 66, "none.tif");
  refused({"state", "Lock in snow", "--number", "1"}, 65, "State 1");
  refused({"batch", "ferric-9"}, 65, "ferric-7");
  refused({"import", file("none")}, 66, "none");
  refused({"copy", file("b.sqlite")}, 64, "b.sqlite");
  refused({"show", "Lock in snow", "--html", file("none/x.html")}, 73, "none");
  put_bytes(folder_ / "words.sqlite", std::string(4000, 'x'));
  EXPECT_EQ(book({"list"}, "words.sqlite").code, 65);
  EXPECT_EQ(json({"show", "Lock in snow"})["states"].size(), 1U);
}

TEST_F(BookCommands, ExportImportAndCopyTellTheSameStory) {
  fill();
  done({"export", file("out")});
  EXPECT_EQ(book({"import", file("out")}, "second.sqlite").code, 0);
  EXPECT_EQ(book({"export", file("again")}, "second.sqlite").code, 0);
  for (const auto& entry : std::filesystem::directory_iterator(folder_ / "out")) {
    EXPECT_EQ(bytes_of(entry.path()), bytes_of(folder_ / "again" / entry.path().filename()));
  }
  done({"copy", file("copy.sqlite")});
  EXPECT_EQ(book({"show", "Lock in snow"}, "copy.sqlite").out, done({"show", "Lock in snow"}));
  EXPECT_EQ(book({"import", file("out")}, "copy.sqlite").code, 65);  // has entries already
}

TEST_F(BookCommands, CheckTellsOfChangedScansAndOfDamage) {
  fill();
  EXPECT_THAT(done({"check"}), HasSubstr("2 scans looked at, 0 changed or gone"));
  std::filesystem::remove(folder_ / "drawing.png");
  scan("proof.png", 100);
  const Said scans = book({"check"});
  EXPECT_EQ(scans.code, 65);
  EXPECT_THAT(scans.out, HasSubstr("2 changed or gone"));
  EXPECT_THAT(scans.err, HasSubstr("the book itself is sound"));
  std::string bytes = bytes_of(folder_ / "b.sqlite");
  const auto at = bytes.find("still bath");
  ASSERT_NE(at, std::string::npos);
  bytes[at] = 'S';
  put_bytes(folder_ / "b.sqlite", bytes);
  const Said damaged = book({"check", "--json"});
  EXPECT_EQ(damaged.code, 65);
  EXPECT_FALSE(Json::parse(damaged.out)["sound"].get<bool>());
  EXPECT_THAT(damaged.err, HasSubstr("1 damaged entries"));
}

}  // namespace
}  // namespace rebite::cli
