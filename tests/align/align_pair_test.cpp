// Whole pairs with known truth: accuracy, orientation, refusals, hazards of shared/alignment.md.
#include "align/align_pair.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "align/picture.h"
#include "align/plate_pair.h"
#include "align/resolution_check.h"
#include "tests/align/pair_maker.h"

namespace rebite::align {
namespace {

using align_test::DrawingKind;
using align_test::errors_of;
using align_test::MadePair;
using align_test::PairSpec;
using align_test::quantile;
using align_test::small;
using testing::HasSubstr;

TEST(AlignPairTest, ReworkedProofToAHundredthOfAMillimetre) {
  PairSpec spec = small(11);
  spec.wander_mm = 0.8;
  const MadePair pair = make_pair(spec);
  AlignOptions options;
  options.plate = spec.size;
  const auto a = align_pair(pair.proof, pair.drawing, options);
  ASSERT_TRUE(a) << a.error().what;
  const auto e = errors_of(pair, *a);
  EXPECT_LT(quantile(e, 0.5), 0.003);
  EXPECT_LT(quantile(e, 0.95), 0.010);
  EXPECT_LT(quantile(e, 1), 0.05);
  ASSERT_TRUE(a->error);
  EXPECT_LT(a->error->p95, 4 * quantile(e, 0.95));
  EXPECT_GT(a->error->p95, 0.25 * quantile(e, 0.95));
  EXPECT_FALSE(a->mirrored);
  EXPECT_FALSE(a->doubtful);
  ASSERT_TRUE(a->plate && a->plate->found);
  // There and back.
  for (const cv::Point2d p : {cv::Point2d(400, 300), {900, 700}, {1200, 500}})
    EXPECT_LT(cv::norm(a->warp->proof_from_drawing(a->warp->drawing_from_proof(p)) - p), 1e-6);
  // In the plate's frame both show the same bare corner of tone.
  const PlatePair plate = to_plate(pair.proof, pair.drawing, *a, {spec.size, 4});
  EXPECT_EQ(plate.proof.cols, 360);
  EXPECT_EQ(plate.drawing.rows, 280);
  EXPECT_GT(cv::countNonZero(plate.tile_class == static_cast<int>(TileClass::held)),
            static_cast<int>(0.8 * 360 * 280));
  EXPECT_FALSE(alignment_picture(pair.proof, pair.drawing, *a, 600).empty());
}

TEST(AlignPairTest, TurnedAndMirroredIsFoundAndTold) {
  PairSpec spec = small(12);
  spec.proof_turn = 91;
  spec.drawing_turn = -178;
  spec.mirrored = true;
  const MadePair pair = make_pair(spec);
  const auto a = align_pair(pair.proof, pair.drawing, {});
  ASSERT_TRUE(a) << a.error().what;
  EXPECT_TRUE(a->mirrored);
  EXPECT_LT(quantile(errors_of(pair, *a), 0.95), 0.010);
  AlignOptions strict;
  strict.allow_mirrored = false;
  const auto refused = align_pair(pair.proof, pair.drawing, strict);
  ASSERT_FALSE(refused);
  EXPECT_THAT(refused.error().next, HasSubstr("--mirrored"));
}

TEST(AlignPairTest, AnotherPlateOfTheSameSizeIsRefused) {
  for (const DrawingKind kind : {DrawingKind::reworked, DrawingKind::separate}) {
    PairSpec spec = small(13);
    const MadePair one = make_pair(spec);
    spec.seed = 14;
    spec.kind = kind;
    const MadePair other = make_pair(spec);
    const auto a = align_pair(one.proof, other.drawing, {});
    ASSERT_FALSE(a);
    EXPECT_EQ(a.error().kind, ProblemKind::data);
    EXPECT_THAT(a.error().what, HasSubstr("same plate"));
  }
}

TEST(AlignPairTest, BlankSheetIsRefused) {
  MadePair pair = make_pair(small(15));
  pair.drawing.relative.setTo(1.0F);
  EXPECT_FALSE(align_pair(pair.proof, pair.drawing, {}));
}

TEST(AlignPairTest, AWrongResolutionTagIsNamed) {
  PairSpec spec = small(16);
  spec.drawing_dpi = 200;
  spec.drawing_tag = 300;
  const MadePair pair = make_pair(spec);
  const auto a = align_pair(pair.proof, pair.drawing, {});
  ASSERT_FALSE(a);
  EXPECT_THAT(a.error().what, HasSubstr("200 dpi"));
}

// A weak drawing may be found stretched one way only: "tagged 300 dpi but looks like 300 dpi" helps
// nobody.
TEST(AlignPairTest, StretchedOneWayIsNotCalledAWrongTag) {
  ScaleFinding found{0.92, 1.08, 300, 300, "proof.tif", "drawing.tif"};
  const auto verdict = judge_scale(found);
  ASSERT_TRUE(verdict.problem.has_value());
  EXPECT_NE(verdict.problem->what.find("-8 % across and +8 % down"), std::string::npos)
      << verdict.problem->what;
  found.scale_x = 1.05;
  found.scale_y = 0.96;
  EXPECT_FALSE(judge_scale(found).problem.has_value());
}

// At 125 % a drawing scanned at 300 dpi looks like 375: near 360, which no scanner is set to.
TEST(AlignPairTest, AnEnlargedDrawingIsNotCalledAWrongTag) {
  for (const double enlarged : {1.243, 0.8, 1.4, 0.707}) {
    const ScaleVerdict verdict =
        judge_scale({enlarged, enlarged, 300, 300, "proof.tif", "drawing.tif", true, false});
    EXPECT_FALSE(verdict.problem.has_value()) << enlarged;
    EXPECT_FALSE(verdict.note.empty()) << enlarged;
  }
  for (const double wrong : {2.0, 1.333, 0.667, 0.5})
    EXPECT_TRUE(judge_scale({wrong, wrong, 300, 300, "proof.tif", "drawing.tif", true, false})
                    .problem.has_value())
        << wrong;
  // The same plate's grain has no other scale: whatever is tagged is wrong.
  EXPECT_TRUE(judge_scale({1.25, 1.25, 300, 300, "proof.tif", "drawing.tif", true, true})
                  .problem.has_value());
}

TEST(AlignPairTest, ContradictedPlateSizeIsRefusedWithBothNumbers) {
  const MadePair pair = make_pair(small(20));
  AlignOptions options;
  options.plate = SizeMm{100, 70};
  const auto a = align_pair(pair.proof, pair.drawing, options);
  ASSERT_FALSE(a);
  EXPECT_THAT(a.error().what, HasSubstr("100.0 x 70.0"));
  EXPECT_THAT(a.error().what, HasSubstr("90."));
}

}  // namespace
}  // namespace rebite::align
