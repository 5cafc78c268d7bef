#include "units/density.h"

#include <gtest/gtest.h>

#include <array>

#include "units/lengths.h"

namespace rebite {
namespace {

template <class A, class B>
concept addable = requires(A a, B b) {
  a + b;
};
static_assert(!addable<Density, Density>, "the sum of two densities means nothing");
static_assert(addable<Density, ToneGap>);
static_assert(!std::is_convertible_v<double, Density>);

// US Navy advanced photography course text: T 0.50 -> opacity 2 -> D 0.30; T 0.20 -> D 0.699;
// and the identities of the definition D = -log10 R.
TEST(Density, HandbookTriples) {
  EXPECT_NEAR(Density::of_reflectance(0.5).value(), 0.301, 0.0005);
  EXPECT_NEAR(Density::of_reflectance(0.2).value(), 0.699, 0.0005);
  EXPECT_DOUBLE_EQ(Density::of_reflectance(1).value(), 0);
  EXPECT_DOUBLE_EQ(Density::of_reflectance(0.01).value(), 2);
  EXPECT_NEAR(Density::of(1.2).reflectance(), std::pow(10.0, -1.2), 1e-15);
}

// Worked values of colour-science's test_lightness.py (BSD-3), method CIE 1976.
TEST(Lightness, PublishedValues) {
  EXPECT_NEAR(lightness(0.1219722535), 41.527875844653451, 1e-9);
  EXPECT_NEAR(lightness(0.2304276781), 55.116362849525402, 1e-9);
  EXPECT_NEAR(lightness(0.0615720079), 29.805654680097106, 1e-9);
  EXPECT_NEAR(lightness(0.1219722535 / 0.5), 56.480581732417676, 1e-9);
  EXPECT_NEAR(lightness(216.0 / 24389.0), 8.0, 1e-12);
  EXPECT_NEAR(lightness(0.184186518512444), 50.0, 1e-9);
}

// Murray 1936; numbers printed in an alternative-photography mailing list post of 2004:
// a 0.5 with Ds 3.0 -> 0.3006, with Ds 1.33 -> 0.2812.
TEST(MurrayDavies, PublishedNumbers) {
  EXPECT_NEAR(density_of_coverage(0.5, Density::of(3.0)).value(), 0.3006, 5e-5);
  EXPECT_NEAR(density_of_coverage(0.5, Density::of(1.33)).value(), 0.2812, 5e-5);
  EXPECT_NEAR(coverage(Density::of(0.50), Density::of(1.50)), 0.706101, 5e-7);
  EXPECT_NEAR(coverage(Density::of(0.30), Density::of(1.40)), 0.519494, 5e-7);
}

TEST(MurrayDavies, ThereAndBack) {
  for (double a = 0; a <= 1; a += 0.05) {
    EXPECT_NEAR(coverage(density_of_coverage(a, Density::of(1.55)), Density::of(1.55)), a, 1e-12);
  }
}

// Common practice, derived from CIE L*: about 0.03 D in the lights, 0.06 D in the darks.
TEST(VisibleStep, GrowsIntoTheDarks) {
  EXPECT_DOUBLE_EQ(visible_step(Density::of(0.1)).value(), 0.03);
  EXPECT_DOUBLE_EQ(visible_step(Density::of(1.4)).value(), 0.06);
  for (double d = 0; d < 1.6; d += 0.01) {
    EXPECT_GE(visible_step(Density::of(d + 0.01)), visible_step(Density::of(d)));
  }
}

TEST(PlateView, TurningOverTwiceChangesNothing) {
  const SizeMm plate{150, 110};
  const PlateMm p{12.5, 40};
  EXPECT_DOUBLE_EQ(plate_view(p, plate).x, 137.5);
  EXPECT_DOUBLE_EQ(plate_view(p, plate).y, 40);
  EXPECT_DOUBLE_EQ(print_view(plate_view(p, plate), plate).x, p.x);
}

}  // namespace
}  // namespace rebite
