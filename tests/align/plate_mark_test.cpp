// Plate mark: corners to 0.2 mm, stretch, size check, orientation.
#include <gtest/gtest.h>

#include <cmath>

#include "align/align_pair.h"
#include "tests/align/pair_maker.h"

namespace rebite::align {
namespace {

using align_test::as_read;

struct MarkedProof {
  scan::DensityImage scan;
  std::function<cv::Point2d(PlateMm)> px;
  double px_per_mm;
};

MarkedProof print(std::uint64_t seed, double turn, double wander, SizeMm size, double dpi = 300) {
  const maker::Scene scene = maker::make_scene(seed, size);
  maker::Impression sheet;
  sheet.seed = seed;
  sheet.wander_mm = wander;
  sheet.stretch_x = 1.003;
  sheet.stretch_y = 1.021;
  maker::Scanner scanner;
  scanner.seed = seed;
  scanner.dpi = dpi;
  scanner.channels = 1;
  scanner.turn_deg = turn;
  const maker::MadeScan made = maker::print_proof(scene.plate, sheet, scanner);
  return {as_read(made, sheet.paper_reflectance, "proof.tif"), made.px_from_plate, dpi / 25.4};
}

double worst_corner_mm(const MarkedProof& proof, const PlateMark& mark, SizeMm plate, int quarter) {
  const PlateMm corners[4] = {
      {0, 0}, {plate.width, 0}, {plate.width, plate.height}, {0, plate.height}};
  double worst = 0;
  for (int k = 0; k < 4; ++k)
    worst = std::max(worst,
                     cv::norm(mark.corners_px[static_cast<std::size_t>(k)] -
                              proof.px(corners[(k + quarter) % 4])) /
                         proof.px_per_mm);
  return worst;
}

TEST(PlateMarkTest, CornersWithinTwoTenthsAtAnySlant) {
  const SizeMm plate{80, 60};
  std::uint64_t seed = 21;
  for (const double turn : {0.0, 1.7, -3.2, 17.0, -38.0}) {
    const MarkedProof proof = print(seed++, turn, 0.5, plate);
    const auto mark = find_plate_mark(proof.scan, plate);
    ASSERT_TRUE(mark) << mark.error().what;
    ASSERT_TRUE(mark->found) << turn;
    EXPECT_LT(worst_corner_mm(proof, *mark, plate, 0), 0.2) << "turn " << turn;
  }
}

}  // namespace
}  // namespace rebite::align
