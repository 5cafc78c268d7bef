// What may lie on the scanner beside a good pair: nothing at all, the same sheet twice, a sheet
// turned, stretched, half covered. Each gives the right map, or says how far it is off, or is
// refused in words; none crashes or is silently wrong.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <functional>
#include <limits>
#include <map>
#include <opencv2/imgproc.hpp>
#include <random>

#include "align/align_pair.h"
#include "tests/align/pair_maker.h"

namespace rebite::align {
namespace {

using align_test::errors_of;
using align_test::MadePair;
using align_test::PairSpec;
using align_test::quantile;

MadePair common_pair() {
  static const MadePair made = [] {
    PairSpec spec;
    spec.size = {70, 50};
    spec.seed = 31;
    spec.proof_dpi = spec.drawing_dpi = 200;
    return make_pair(spec);
  }();
  MadePair copy = made;
  copy.proof.relative = made.proof.relative.clone();
  copy.drawing.relative = made.drawing.relative.clone();
  return copy;
}

// The drawing's scan seen through `map` (of its pixels), paper where nothing was.
MadePair drawing_through(const cv::Matx33d& map, cv::Size size) {
  MadePair pair = common_pair();
  cv::Mat1f seen;
  cv::warpPerspective(
      pair.drawing.relative, seen, map, size, cv::INTER_CUBIC, cv::BORDER_CONSTANT, cv::Scalar(1));
  pair.drawing.relative = seen;
  pair.drawing.info.width_px = size.width;
  pair.drawing.info.height_px = size.height;
  pair.drawing_px = [before = pair.drawing_px, map](PlateMm at) {
    const cv::Point2d p = before(at);
    const cv::Vec3d q = map * cv::Vec3d(p.x, p.y, 1);
    return cv::Point2d(q[0] / q[2], q[1] / q[2]);
  };
  return pair;
}

cv::Size drawing_size() { return common_pair().drawing.relative.size(); }

void expect_refused_in_words(const MadePair& pair, const std::string& what) {
  const auto a = align_pair(pair.proof, pair.drawing, {});
  ASSERT_FALSE(a) << what << " was taken for the same plate";
  EXPECT_EQ(a.error().kind, ProblemKind::data) << what;
  EXPECT_FALSE(a.error().what.empty()) << what;
  EXPECT_FALSE(a.error().next.empty()) << what;
}

constexpr double px_mm = 25.4 / 200;

double p95_of(const MadePair& pair, const Alignment& a) {
  return quantile(errors_of(pair, a), 0.95);
}

// As right as the undisturbed pair, give or take half as much and a tenth of a pixel.
void expect_right(const MadePair& pair, const std::string& what) {
  static const double plain = [] {
    const MadePair common = common_pair();
    const auto a = align_pair(common.proof, common.drawing, {});
    return a ? p95_of(common, *a) : 0;
  }();
  ASSERT_GT(plain, 0);
  ASSERT_LT(plain, 0.3 * px_mm);
  const auto a = align_pair(pair.proof, pair.drawing, {});
  ASSERT_TRUE(a) << what << ": " << a.error().what;
  EXPECT_LT(p95_of(pair, *a), 1.5 * plain + 0.1 * px_mm) << what;
}

// Refused in words, or right, or its own error and doubts say that it is not.
void expect_honest(const MadePair& pair, const std::string& what) {
  const auto a = align_pair(pair.proof, pair.drawing, {});
  if (!a) {
    EXPECT_EQ(a.error().kind, ProblemKind::data) << what;
    EXPECT_FALSE(a.error().next.empty()) << what;
    return;
  }
  const double true_p95 = p95_of(pair, *a);
  EXPECT_TRUE(true_p95 < 4 * (a->error ? a->error->p95 : 0.1) || a->doubtful || !a->notes.empty())
      << what << ": off by " << true_p95 << " mm and silent";
}

TEST(SceneTest, NothingToSeeIsRefused) {
  std::mt19937 random(5);
  std::normal_distribution<float> noise(0.6F, 0.15F);
  const std::map<std::string, std::function<void(cv::Mat1f&)>> sheets{
      {"white", [](cv::Mat1f& m) { m.setTo(1.0F); }},
      {"black", [](cv::Mat1f& m) { m.setTo(0.03F); }},
      {"grey", [](cv::Mat1f& m) { m.setTo(0.4F); }},
      {"unmeasured", [](cv::Mat1f& m) { m.setTo(std::numeric_limits<float>::quiet_NaN()); }},
      {"noise", [&](cv::Mat1f& m) {
         for (float& v : m) v = std::clamp(noise(random), 0.02F, 1.0F);
       }}};
  for (const auto& [name, paint] : sheets) {
    MadePair pair = common_pair();
    paint(pair.drawing.relative);
    expect_refused_in_words(pair, "a drawing of " + name);
    std::swap(pair.proof, pair.drawing);
    expect_refused_in_words(pair, "a proof of " + name);
    paint(pair.drawing.relative);
    expect_refused_in_words(pair, "two sheets of " + name);
  }
}

TEST(SceneTest, TinyPicturesAreRefused) {
  for (const cv::Size size : {cv::Size(1, 1), cv::Size(8, 8), cv::Size(3, 900), cv::Size(900, 2)}) {
    MadePair pair = common_pair();
    pair.drawing.relative =
        pair.drawing.relative(cv::Rect({200, 60}, size) & cv::Rect({0, 0}, drawing_size())).clone();
    pair.drawing.info.width_px = pair.drawing.relative.cols;
    pair.drawing.info.height_px = pair.drawing.relative.rows;
    expect_refused_in_words(pair, std::to_string(size.width) + " px");
  }
}

TEST(SceneTest, AProofWithItselfLiesOnItself) {
  MadePair pair = common_pair();
  pair.drawing = pair.proof;
  pair.drawing_px = pair.proof_px;
  const auto a = align_pair(pair.proof, pair.drawing, {});
  ASSERT_TRUE(a) << a.error().what;
  EXPECT_LT(p95_of(pair, *a), 0.1 * px_mm);
}

TEST(SceneTest, QuarterTurnsAndMirrorsAreFound) {
  const cv::Size s = drawing_size();
  const double w = s.width - 1, h = s.height - 1;
  expect_right(drawing_through({0, -1, h, 1, 0, 0, 0, 0, 1}, {s.height, s.width}), "90 degrees");
  expect_right(drawing_through({-1, 0, w, 0, -1, h, 0, 0, 1}, s), "180 degrees");
  expect_right(drawing_through({0, 1, 0, -1, 0, w, 0, 0, 1}, {s.height, s.width}), "270 degrees");
  const MadePair mirrored = drawing_through({-1, 0, w, 0, 1, 0, 0, 0, 1}, s);
  expect_right(mirrored, "mirrored");
  const auto a = align_pair(mirrored.proof, mirrored.drawing, {});
  ASSERT_TRUE(a);
  EXPECT_TRUE(a->mirrored);
}

TEST(SceneTest, OtherScalesAndSlantsAreRightOrTold) {
  const cv::Size s = drawing_size();
  const auto scaled = [&](double x, double y) {
    return drawing_through({x, 0, 0, 0, y, 0, 0, 0, 1},
                           {cvCeil(s.width * x), cvCeil(s.height * y)});
  };
  expect_right(scaled(1.02, 1.02), "2 % larger");
  expect_honest(scaled(1.1, 1), "another aspect");
  expect_honest(scaled(0.8, 1.25), "quite another aspect");
  const double slant = std::tan(5 * CV_PI / 180);
  expect_honest(drawing_through({1, slant, 0, 0, 1, 0, 0, 0, 1},
                                {s.width + cvCeil(slant * s.height), s.height}),
                "slanted by 5 degrees");
}

TEST(SceneTest, PartsThatAreHiddenDoNotMislead) {
  {
    MadePair pair = common_pair();
    // A finger on the glass: dark, soft, from the edge into the picture.
    cv::Mat1f& m = pair.drawing.relative;
    cv::ellipse(m, {m.cols / 3, m.rows}, {60, 160}, 0, 0, 360, cv::Scalar(0.2), -1);
    expect_right(pair, "a finger over the edge");
  }
  {
    MadePair pair = common_pair();
    cv::Mat1f& m = pair.drawing.relative;
    for (int x = 0; x < m.cols / 3; ++x) m.col(x) *= 0.4 + 1.8 * x / m.cols;
    expect_right(pair, "a shadow along one side");
  }
  {
    MadePair pair = common_pair();
    cv::Mat1f& m = pair.drawing.relative;
    m(cv::Rect(0, 0, m.cols / 2, m.rows)).setTo(1.0F);
    expect_honest(pair, "half of the drawing under a white sheet");
  }
  {
    MadePair pair = common_pair();
    for (float& v : pair.drawing.relative) v = std::max(0.03F, 1.03F - v);
    expect_honest(pair, "a negative");
  }
}

TEST(SceneTest, PaperThatWarpedByOnePerCentIsFollowed) {
  PairSpec spec;
  spec.size = {70, 50};
  spec.seed = 33;
  spec.proof_dpi = spec.drawing_dpi = 200;
  spec.wander_mm = 0.7;
  expect_right(make_pair(spec), "paper warped by 0.7 mm over 70 mm");
}

TEST(SceneTest, AnotherPlateIsRefusedEitherWayRound) {
  PairSpec spec;
  spec.size = {70, 50};
  spec.seed = 32;
  spec.proof_dpi = spec.drawing_dpi = 200;
  const MadePair other = make_pair(spec);
  MadePair pair = common_pair();
  pair.drawing = other.drawing;
  expect_refused_in_words(pair, "another plate's drawing");
  pair = common_pair();
  pair.proof = other.proof;
  expect_refused_in_words(pair, "another plate's proof");
}

}  // namespace
}  // namespace rebite::align
