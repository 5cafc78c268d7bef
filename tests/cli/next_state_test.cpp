// From a recorded plan to the next state: the plate maker bites the plan's own stages through a new
// ground, prints the plate, and the proof is entered. What the book says was reached must be what
// that print truly shows.
#include <gmock/gmock.h>

#include <nlohmann/json.hpp>
#include <opencv2/imgproc.hpp>

#include "jobs/plan_desk.h"
#include "scan/label_png.h"
#include "tests/book/books.h"
#include "tests/cli/run_rebite.h"
#include "tests/cli/small_studio.h"

namespace rebite::cli {
namespace {
using Json = nlohmann::json;
using testing::HasSubstr;

class NextState : public testing::Test {
 protected:
  // Planned and recorded once; each test goes on in its own copy of the book.
  static void SetUpTestSuite() {
    planned_ = new book::TempFolder;
    said_ = plan_into(*planned_ / "b.sqlite", *planned_ / "plan");
  }
  static Said plan_into(const std::string& book, const std::string& out) {
    return run_rebite({"plan",
                       small_studio().file("proof.tif"),
                       small_studio().file("drawing.tif"),
                       "--batch",
                       small_studio().file("ferric.batch.json"),
                       "--plate",
                       "70x50",
                       "--record",
                       "Lock",
                       "--book",
                       book,
                       "--out",
                       out});
  }
  static void TearDownTestSuite() { delete planned_; }
  void SetUp() override {
    ASSERT_EQ(small_studio().not_ready, "");
    ASSERT_EQ(said_.code, 0) << said_.err;
    std::filesystem::copy_file(*planned_ / "b.sqlite", folder_ / "b.sqlite");
    plan_ = Json::parse(book::bytes_of(*planned_ / "plan/plan.json"));
    labels_ = scan::labels_from_png(book::bytes_of(*planned_ / "plan/regions.png"));
    ASSERT_FALSE(labels_.empty());
  }
  std::string file(const std::string& name) const { return (folder_ / name).string(); }
  Json show() const {
    const Said said = run_rebite({"book", "show", "Lock", "--json", "--book", file("b.sqlite")});
    EXPECT_EQ(said.code, 0) << said.err;
    return Json::parse(said.out);
  }
  Said enter(const std::string& proof) const {
    return run_rebite({"book", "state", "Lock", "--proof", proof, "--book", file("b.sqlite")});
  }
  // The plate bitten as planned in a bath that takes `speed` times the wedge's minutes, printed.
  maker::MadeScan bitten(double speed) const {
    const auto& scene = small_studio().made.scene;
    std::vector<float> minutes(65536, 0);
    for (const auto& stage : plan_["stages"]) {
      for (const auto& region : plan_["regions"]) {
        if (region.contains("stage") && region["stage"] == stage["stage"]) {
          minutes[region["id"]] = static_cast<float>(stage["total_minutes"].get<double>() / speed);
        }
      }
    }
    maker::Bite bite;
    bite.ground_seed = 99;
    bite.minutes.create(scene.labels.size());
    cv::Mat1w labels;
    cv::resize(labels_, labels, scene.labels.size(), 0, 0, cv::INTER_NEAREST);
    std::transform(
        labels.begin(), labels.end(), bite.minutes.begin(), [&](auto id) { return minutes[id]; });
    maker::Plate plate = scene.plate;
    plate.bites.push_back(bite);
    maker::Impression print;
    print.seed = 4711, print.stretch_x = 0.991, print.stretch_y = 0.988, print.wander_mm = 0.2;
    maker::Scanner scanner;
    scanner.seed = 4711, scanner.channels = 1, scanner.turn_deg = -0.7;
    return print_proof(plate, print, scanner);
  }
  // What the sheet truly shows over a region's inner part.
  double truth(const maker::MadeScan& print, int id) const {
    cv::Mat1b inside;
    cv::compare(labels_, id, inside, cv::CMP_EQ);
    const double px_per_mm = plan_["map"]["px_per_mm"];
    const int r = static_cast<int>(std::lround(1.5 * px_per_mm));
    cv::erode(inside,
              inside,
              cv::Mat1b(2 * r + 1, 2 * r + 1, uchar{1}),
              {-1, -1},
              1,
              cv::BORDER_CONSTANT,
              cv::Scalar(0));
    cv::resize(inside, inside, print.true_density.size(), 0, 0, cv::INTER_NEAREST);
    double sum = 0;
    int n = 0;
    for (int y = 0; y < inside.rows; ++y) {
      for (int x = 0; x < inside.cols; ++x) {
        if (inside(y, x)) {
          sum += std::pow(10.0, static_cast<double>(-print.true_density(y, x)));
          ++n;
        }
      }
    }
    return n < 50 ? std::nan("") : -std::log10(sum / n);
  }

  static book::TempFolder* planned_;
  static Said said_;
  book::TempFolder folder_;
  Json plan_;
  cv::Mat1w labels_;
};
book::TempFolder* NextState::planned_ = nullptr;
Said NextState::said_;

TEST_F(NextState, ABiteOfAStageThatIsNotPlannedIsRefused) {
  const Said said = run_rebite({"book",
                                "bite",
                                "Lock",
                                "--stage",
                                "99",
                                "--time",
                                "45s",
                                "--book",
                                file("b.sqlite")});
  EXPECT_EQ(said.code, 65) << said.out;
  EXPECT_THAT(said.err, HasSubstr("stage 99 is not in the plan of state"));
}

// The proof is of the plate as it was: biting by its plan once more would bite twice.
TEST_F(NextState, APlanByAProofFromBeforeABiteSaysSo) {
  EXPECT_THAT(said_.err, testing::Not(HasSubstr("bitten since this proof")));
  ASSERT_EQ(run_rebite({"book", "bite", "Lock", "--stage", "1", "--time", "20s", "--book", file("b.sqlite")})
                .code,
            0);
  const Said again = plan_into(file("b.sqlite"), file("again"));
  ASSERT_EQ(again.code, 0) << again.err;
  EXPECT_THAT(again.err, HasSubstr("bitten since this proof was pulled"));
}

TEST_F(NextState, WhatTheNextProofReachedIsReadAndLearnedFrom) {
  constexpr double slower = 1.3;
  const maker::MadeScan print = bitten(slower);
  write_scan(print, file("next.tif"));
  const Said said = enter(file("next.tif"));
  ASSERT_EQ(said.code, 0) << said.err;
  EXPECT_THAT(said.out, HasSubstr("was compared with the last plan"));
  SCOPED_TRACE(said.out);
  const Json plan = show()["states"][0]["plans"][0];
  int read = 0, bitten_ones = 0;
  for (const auto& r : plan["regions"]) {
    const double is = truth(print, r["region"]);
    if (r["density_reached"].is_null() || std::isnan(is)) continue;
    ++read;
    bitten_ones += r["minutes"] > 0;
    EXPECT_NEAR(r["density_reached"], is, 0.03) << r;
  }
  EXPECT_GE(read, 2);
  EXPECT_GE(bitten_ones, 1);
  // The bath was slower, and that is what is learned: the truth lies within 2 sd of what the state
  // showed, and the next plan's minutes move that way.
  const Said batch = run_rebite({"book", "batch", "ferric", "--json", "--book", file("b.sqlite")});
  ASSERT_EQ(batch.code, 0) << batch.err;
  const Json learned = Json::parse(batch.out);
  ASSERT_EQ(learned["states_compared"], 1);
  const Json use = learned["uses"][0];
  const double off = std::log(use["speed_measured"].get<double>() / slower);
  EXPECT_LT(std::fabs(off), 2 * use["speed_measured_ln_sd"].get<double>());
  EXPECT_GT(learned["speed"], 1.0);
}

// The picture of the next proof is what the plan predicts: scanned and entered as the next state it
// reaches every region's prediction.
TEST_F(NextState, ThePictureOfTheNextProofReachesWhatIsPredicted) {
  const Said said = enter(*planned_ / "plan/next-proof.png");
  ASSERT_EQ(said.code, 0) << said.err;
  SCOPED_TRACE(said.out);
  int read = 0;
  const Json plan = show()["states"][0]["plans"][0];
  for (const auto& r : plan["regions"]) {
    if (r["density_reached"].is_null()) continue;
    ++read;
    EXPECT_NEAR(r["density_reached"], r["density_predicted"], 0.03) << r;
  }
  EXPECT_GE(read, 2);
}

// What the command line planned can be changed in the page: a region is held, the rest stays.
TEST_F(NextState, APlanOfTheCommandLineCanBeChangedByHand) {
  jobs::Studio studio = jobs::Studio::beside(*planned_ / "b.sqlite");
  studio.book = file("b.sqlite");
  jobs::PlanDesk desk(studio);
  const int id = plan_["regions"][0]["id"];
  jobs::HandEdit hold;
  hold.region = id;
  hold.change.action = plan::Action::hold;
  const auto answer = desk.change(1, {hold}, "2026-11-25T10:00:00Z");
  ASSERT_TRUE(answer) << answer.error().what;
  EXPECT_FALSE(answer->conflict);
  const auto changed = desk.file(answer->plan, "plan.json");
  ASSERT_TRUE(changed) << changed.error().what;
  const Json after = Json::parse(*changed);
  ASSERT_EQ(after["regions"].size(), plan_["regions"].size());
  for (std::size_t i = 0; i < after["regions"].size(); ++i) {
    const Json &is = after["regions"][i], &was = plan_["regions"][i];
    EXPECT_EQ(is["action"], is["id"] == id ? Json("hold") : was["action"]);
    EXPECT_EQ(is["density_now"], was["density_now"]);
  }
}

TEST_F(NextState, AProofOfAnotherPlateIsEnteredButNotCompared) {
  const maker::Scene scene = maker::make_scene(5, {70, 50});
  maker::Scanner scanner;
  scanner.channels = 1;
  write_scan(maker::print_proof(scene.plate, {}, scanner), file("other.tif"));
  const Said said = enter(file("other.tif"));
  EXPECT_EQ(said.code, 0) << said.err;
  EXPECT_THAT(said.out, HasSubstr("Not compared with the plan before"));
  EXPECT_TRUE(show()["states"][0]["plans"][0]["regions"][0]["density_reached"].is_null());
}

}  // namespace
}  // namespace rebite::cli
