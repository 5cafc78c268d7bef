// Pairs from outside the project.
#include <gtest/gtest.h>

#include <cmath>
#include <fstream>
#include <sstream>

#include "align/align_pair.h"
#include "align/coarse_hypotheses.h"
#include "align/spline_warp.h"
#include "align/work_image.h"
#include "scan/read_scan.h"
#include "tests/support/outside_data.h"

namespace rebite::align {
namespace {

// Oxford affine-covariant set, graf1 and graf3 with the published homography H1to3p (Mikolajczyk et
// al., IJCV 65, 2005; files from Debian's opencv-doc).
TEST(OutsideTest, OxfordGraffitiCornersWithinThreePixels) {
  const auto folder = maker::outside_data("graf");
  REBITE_NEEDS_OUTSIDE_DATA(folder);
  Level level[2];
  for (int k = 0; k < 2; ++k) {
    scan::ReadOptions options;
    options.resolution_needed = false;
    options.relative_to_paper = false;
    const auto image = scan::read_scan(folder / (k ? "graf3.png" : "graf1.png"), options);
    ASSERT_TRUE(image) << image.error().what;
    level[k] = make_level(image->relative, {1, 1}, 1, 2);
  }
  const auto hypotheses = feature_hypotheses(
      find_features(level[0], false, {}), find_features(level[1], false, {}), 1, 1, false);
  ASSERT_FALSE(hypotheses.empty());
  const cv::Matx33d truth(0.76285898,
                          -0.29922929,
                          225.67123,
                          0.33443473,
                          1.0143901,
                          -76.999973,
                          3.4663091e-4,
                          -1.4364524e-5,
                          1);
  double best = 1e9;
  for (const Hypothesis& h : hypotheses) {
    double worst = 0;
    for (const cv::Point2d c : {cv::Point2d(0, 0), {799, 0}, {799, 639}, {0, 639}}) {
      const cv::Point2d half(0.5, 0.5);  // mm = px + 0.5 at 1 px/mm
      worst = std::max(worst, cv::norm(project(h.map, c + half) - half - project(truth, c)));
    }
    best = std::min(best, worst);
  }
  EXPECT_LT(best, 3.0);
}

// The same pair as a whole: the same wall, but 50 degrees off square.
TEST(OutsideTest, OxfordGraffitiIsRefusedForItsSlant) {
  const auto folder = maker::outside_data("graf");
  REBITE_NEEDS_OUTSIDE_DATA(folder);
  scan::ReadOptions options;
  options.resolution_needed = false;
  const auto front = scan::read_scan(folder / "graf1.png", options);
  const auto side = scan::read_scan(folder / "graf3.png", options);
  ASSERT_TRUE(front && side);
  const auto aligned = align_pair(*front, *side, {});
  ASSERT_FALSE(aligned);
  EXPECT_NE(aligned.error().what.find("slant"), std::string::npos) << aligned.error().what;
}

// Two impressions of one plate of 1880 (Lalanne / Koehler, A Treatise on Etching, plates I and II):
// 570 matched points about an affine map, RMS 0.285 px, measured apart from this project.
TEST(OutsideTest, TwoImpressionsOf1880WithinHalfAPixel) {
  const auto folder = maker::outside_data("states-1880");
  REBITE_NEEDS_OUTSIDE_DATA(folder);
  scan::ReadOptions options;
  options.resolution_needed = false;
  const auto clean = scan::read_scan(folder / "finished-clean-wiped.jpg", options);
  const auto tone = scan::read_scan(folder / "finished-more-tone.jpg", options);
  ASSERT_TRUE(clean && tone);
  const auto aligned = align_pair(*clean, *tone, {});
  ASSERT_TRUE(aligned) << aligned.error().what;
  EXPECT_FALSE(aligned->mirrored);
  std::ifstream file(folder / "clean-to-tone-points.csv");
  std::string line;
  double square = 0;
  int n = 0;
  while (std::getline(file, line)) {
    std::istringstream row(line);
    double v[4];
    char comma;
    if (!(row >> v[0] >> comma >> v[1] >> comma >> v[2] >> comma >> v[3])) continue;
    const cv::Point2d e = aligned->warp->drawing_from_proof({v[0], v[1]}) - cv::Point2d(v[2], v[3]);
    square += e.dot(e);
    ++n;
  }
  ASSERT_GT(n, 500);
  EXPECT_LT(std::sqrt(square / n), 0.5);
}

}  // namespace
}  // namespace rebite::align
