// The plate maker's own physics, against published formulas worked apart from its code.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "tests/support/chance.h"
#include "tests/support/grain.h"
#include "tests/support/plate_maker.h"
#include "tests/support/sheet_render.h"

namespace rebite::maker {
namespace {

using testing::DoubleNear;

// A plate of one tone.
Plate flat_plate(double minutes, SizeMm size = {30, 24}) {
  Plate plate;
  plate.size = size;
  Bite bite;
  bite.minutes = cv::Mat1f(4, 4, static_cast<float>(minutes));
  plate.bites.push_back(bite);
  return plate;
}

Impression plain_print() {
  Impression i;
  i.wiping_density = 0;
  i.paper_texture = 0;
  i.margin_mm = 6;
  i.plate_mark = false;
  return i;
}

Scanner plain_scanner() {
  Scanner s;
  s.tone = ScannerTone::linear;
  s.channels = 1;
  s.noise = 0;
  return s;
}

// Mean reflectance over the inner plate of a linear 16-bit scan of an unturned sheet, over paper.
double mean_over_paper(const MadeScan& scan, SizeMm plate, double paper) {
  const cv::Point2d a = scan.px_from_plate({2, 2});
  const cv::Point2d b = scan.px_from_plate({plate.width - 2, plate.height - 2});
  const cv::Rect inner(cv::Point(cvRound(a.x), cvRound(a.y)),
                       cv::Point(cvRound(b.x), cvRound(b.y)));
  return cv::mean(scan.codes(inner))[0] / 65535.0 / paper;
}

TEST(Grain, RanksAreUniformForEverySeedAndSpacing) {
  for (const std::uint64_t seed : {1U, 77U}) {
    for (const double spacing : {0.05, 0.11, 0.2}) {
      const SizeMm plate{60, 50};
      const Grain grain(seed, spacing, plate);
      Chance chance(seed + 100);
      constexpr int n = 150000;
      std::vector<int> count(20, 0);
      for (int i = 0; i < n; ++i) {
        const auto x = static_cast<float>(chance.uniform(0, plate.width));
        const auto y = static_cast<float>(chance.uniform(0, plate.height));
        const float rank = grain.rank(x, y);
        ASSERT_GE(rank, 0.F);
        ASSERT_LE(rank, 1.F);
        ++count[static_cast<size_t>(std::min(19.F, rank * 20))];
      }
      int below = 0;
      for (int k = 0; k < 20; ++k) {
        below += count[static_cast<size_t>(k)];
        // 20 mm across hold over 60 000 grains; their own scatter is below 0.002.
        EXPECT_NEAR(static_cast<double>(below) / n, (k + 1) / 20.0, 0.004)
            << "seed " << seed << ", spacing " << spacing;
      }
    }
  }
}

TEST(Grain, GroundsOfDifferentSeedsAreIndependent) {
  const SizeMm plate{40, 40};
  const Grain first(1, 0.11, plate), second(2, 0.11, plate);
  Chance chance(3);
  constexpr int n = 300000;
  double product = 0;
  for (int i = 0; i < n; ++i) {
    const auto x = static_cast<float>(chance.uniform(0, 40)),
               y = static_cast<float>(chance.uniform(0, 40));
    product += static_cast<double>((first.rank(x, y) - 0.5F) * (second.rank(x, y) - 0.5F));
  }
  EXPECT_NEAR(product / n * 12, 0, 0.01);  // correlation
}

TEST(SoftEdge, MeanOverAllRanksIsTheCoverage) {
  for (const double softness : {0.05, 0.3, 1.0}) {
    const SoftEdge edge(softness);
    for (const double a : {0.0, 0.01, 0.05, 0.2, 0.5, 0.77, 0.93, 0.995, 1.0}) {
      const float threshold = edge.threshold(static_cast<float>(a));
      double sum = 0;
      constexpr int n = 20000;
      for (int i = 0; i < n; ++i) {
        sum += static_cast<double>(edge.inked(threshold, (static_cast<float>(i) + 0.5F) / n));
      }
      EXPECT_NEAR(sum / n, a, 2e-4) << softness;
    }
  }
}

// A. Murray, Monochrome reproduction in photoengraving, J. Franklin Inst. 221 (1936) 721: a tint of
// coverage a reflects (1 - a) of the paper and a of the solid.
TEST(PrintProof, MeanReflectanceIsMurrayDavies) {
  for (const double grain_mm : {0.06, 0.11, 0.18}) {
    for (const double minutes : {0.0, 0.25, 1.0, 4.0, 16.0}) {
      Plate plate = flat_plate(minutes);
      plate.bites[0].grain_mm = grain_mm;
      const MadeScan scan = print_proof(plate, plain_print(), plain_scanner());
      const double rise = 1 - std::exp(-std::pow(minutes / 5.5, 0.85));
      const double d = 0.04 + (1.42 - 0.04) * rise;
      const double solid = std::pow(10, -1.55);
      const double a = (1 - std::pow(10, -d)) / (1 - solid);
      const double expected = (1 - a) + a * solid;
      const double seen = mean_over_paper(scan, plate.size, 0.86);
      EXPECT_NEAR(-std::log10(seen), -std::log10(expected), 0.008)
          << minutes << " min, " << grain_mm;
      EXPECT_NEAR(-std::log10(expected), d, 1e-9);
    }
  }
}

// Means of densities are not densities of means: on grain they differ by much more than a step.
TEST(PrintProof, AveragingDensitiesWouldBeWrongOnGrain) {
  const Plate plate = flat_plate(2);
  const MadeScan scan = print_proof(plate, plain_print(), plain_scanner());
  const cv::Point2d a = scan.px_from_plate({2, 2}), b = scan.px_from_plate({28, 22});
  double reflectance = 0, density = 0, n = 0;
  for (int r = cvRound(a.y); r < cvRound(b.y); ++r) {
    for (int c = cvRound(a.x); c < cvRound(b.x); ++c) {
      const double v = scan.codes.at<std::uint16_t>(r, c) / 65535.0 / 0.86;
      reflectance += v;
      density -= std::log10(v);
      ++n;
    }
  }
  const double right = -std::log10(reflectance / n);
  EXPECT_NEAR(right, plate.curve.density(2), 0.008);
  EXPECT_GT(density / n - right, 0.06);
}

// Demichel's equations (M. E. Demichel, Procede 26, 1924; from memory): independent layers of
// coverage 0.4 and 0.4 leave 0.36 of the paper bare.
TEST(PrintProof, LandsOfIndependentGroundsMultiply) {
  Plate plate = flat_plate(0);
  plate.curve.d0 = 0;
  const double minutes = plate.curve.minutes_for(plate.curve.density_of_pits(0.4));
  plate.bites[0].minutes.setTo(minutes);
  plate.bites.push_back(plate.bites[0]);
  plate.bites[1].ground_seed = 99;
  const double solid = std::pow(10, -1.55);
  const double expected = 0.36 + 0.64 * solid;
  const double seen =
      mean_over_paper(print_proof(plate, plain_print(), plain_scanner()), plate.size, 0.86);
  EXPECT_NEAR(seen, expected, 0.006);
  EXPECT_NEAR(
      std::pow(10, -static_cast<double>(printed_density(plate, 2)(20, 20))), expected, 1e-3);

  plate.bites[1].ground_seed = plate.bites[0].ground_seed;  // kept: minutes add
  EXPECT_NEAR(static_cast<double>(printed_density(plate, 2)(20, 20)),
              plate.curve.density(2 * minutes),
              1e-3);
}

TEST(PrintProof, OverlapExponentBurnishAndInkErrorKeepTheirMeans) {
  Plate plate = flat_plate(2);
  plate.bites.push_back(plate.bites[0]);
  plate.bites[1].ground_seed = 5;
  plate.overlap_q = 0.6;
  plate.burnish = cv::Mat1f(3, 3, 0.7F);
  Impression print = plain_print();
  print.grain_ink_error = 0.3;
  print.plate_tone = 0.03;
  const MadeScan scan = print_proof(plate, print, plain_scanner());
  // By hand: pits of one bite p; land (1-p)^1.6; 0.7 of what is bitten is left.
  const double film = std::pow(10, -0.04), black = std::pow(10, -1.55);
  const double p = 1 - (std::pow(10, -plate.curve.density(2)) - black) / (film - black);
  const double pits = 0.7 * (1 - std::pow(1 - p, 1.6));
  // Ink density 1.55 (1 + 0.3 n), n uniform within +-sqrt(3), summed numerically.
  double ink = 0;
  for (int i = 0; i < 20000; ++i) {
    ink += std::pow(10, -1.55 * (1 + 0.3 * std::sqrt(3.0) * ((i + 0.5) / 10000 - 1))) / 20000;
  }
  const double expected = ((1 - pits) * film + pits * ink) * std::pow(10, -0.03);
  EXPECT_NEAR(mean_over_paper(scan, plate.size, 0.86), expected, 0.006);
  EXPECT_NEAR(std::pow(10, -static_cast<double>(scan.true_density(40, 40))), expected, 1e-3);
}

TEST(TrueCurve, MinutesForIsTheInverseOnTheRisingBranch) {
  TrueCurve curve;
  curve.latent = 0.1;
  for (const double t : {0.3, 1.0, 5.0, 20.0}) {
    EXPECT_NEAR(curve.minutes_for(curve.density(t)), t, 1e-6);
  }
  EXPECT_EQ(curve.minutes_for(0.04), 0);
  EXPECT_TRUE(std::isinf(curve.minutes_for(1.43)));
  curve.overbite_from = 16;
  curve.overbite_rate = 0.02;
  EXPECT_LT(curve.density(30), curve.density(16));
  EXPECT_NEAR(curve.peak_minutes(), 16, 0.5);
}

// Worked by hand with d0 = 0, D(t) chosen so that pits are simple: solid reflects 0.01 (D 2).
// Now 0.5 bitten, wanted 0.75 bitten: a fresh ground must bite 0.5 (0.5 x 0.5 = 0.25 left); a kept
// one goes on from the time of 0.5 to the time of 0.75.
TEST(NextBite, FreshAndKeptMinutesAsWorkedByHand) {
  TrueCurve curve;
  curve.d0 = 0;
  curve.d1 = 2;
  curve.solid = 2;
  const double half = -std::log10(0.5 + 0.5 * 0.01), threequarter = -std::log10(0.25 + 0.75 * 0.01);
  EXPECT_NEAR(fresh_minutes(curve, half, threequarter), curve.minutes_for(half), 1e-6);
  EXPECT_NEAR(kept_minutes(curve, half, threequarter),
              curve.minutes_for(threequarter) - curve.minutes_for(half),
              1e-6);
  EXPECT_EQ(fresh_minutes(curve, half, half), 0);
  EXPECT_EQ(kept_minutes(curve, threequarter, half), 0);
}

TEST(GreyScale, PatchesShowTheirDensityAndTheFlare) {
  Scanner scanner = plain_scanner();
  scanner.flare = 0.01;
  const std::vector<double> densities{0.1, 0.5, 1.0, 1.6};
  const MadeScan scan = grey_scale(densities, {10, 12}, scanner, 1);
  for (size_t i = 0; i < densities.size(); ++i) {
    const cv::Point2d p = scan.px_from_plate({8 + 5 + 11.0 * static_cast<double>(i), 14});
    const cv::Rect around(cvRound(p.x) - 20, cvRound(p.y) - 20, 40, 40);
    EXPECT_NEAR(cv::mean(scan.codes(around))[0] / 65535, std::pow(10, -densities[i]) + 0.01, 3e-4);
  }
}

}  // namespace
}  // namespace rebite::maker
