// A real wedge: Plate A of M. Lalanne, A Treatise on Etching, transl. S. R. Koehler, Boston 1880
// (public domain; Project Gutenberg 33751). Lines bitten 3 or 6, 10, 20 and 30 minutes. The ink of
// a printed copy is no measure of density, so order and shape are what counts; the expected numbers
// are those of checks.md F1. Its sixth point (dips) and seventh (no further gain) are in
// tests/plan.
#include <gtest/gtest.h>

#include "scan/read_scan.h"
#include "tests/support/outside_data.h"
#include "wedge/pchip.h"
#include "wedge/saturating_form.h"

namespace rebite::wedge {
namespace {

// x0, y0, x1, y1 as the check lists them, the last column and row left out.
struct Box {
  int x0, y0, x1, y1;
};

class PlateA : public ::testing::Test {
 protected:
  void SetUp() override {
    const auto file = maker::outside_data("wedge-1880/plate-a.jpg");
    REBITE_NEEDS_OUTSIDE_DATA(file);
    scan::ReadOptions options;
    options.dpi = 300;
    options.relative_to_paper = false;
    auto read = scan::read_scan(file, options);
    ASSERT_TRUE(read) << read.error().what;
    picture = read->relative;
  }
  // Above the blank column's paper, whose median code is 248.
  double density(Box b) const {
    const double code = 248 / 255.0;
    const double paper = std::pow((code + 0.055) / 1.055, 2.4);  // IEC 61966-2-1
    return -std::log10(cv::mean(picture(cv::Rect(b.x0, b.y0, b.x1 - b.x0, b.y1 - b.y0)))[0] /
                       paper);
  }
  std::vector<double> column(std::array<Box, 4> boxes) const {
    std::vector<double> d;
    for (const Box& b : boxes) d.push_back(density(b));
    return d;
  }
  std::vector<double> fine() const {
    return column(
        {{{10, 9, 129, 99}, {10, 110, 129, 200}, {10, 212, 129, 302}, {10, 313, 129, 403}}});
  }
  std::vector<double> coarse() const {
    return column(
        {{{222, 9, 343, 99}, {222, 110, 343, 200}, {222, 213, 343, 302}, {223, 314, 343, 403}}});
  }
  cv::Mat1f picture;
};

TEST_F(PlateA, LongerInTheBathIsDarker) {
  const std::vector<double> expected_fine{0.349, 0.595, 0.754, 0.862};
  const std::vector<double> expected_coarse{0.297, 0.470, 0.714, 0.896};
  const auto f = fine(), c = coarse();
  for (std::size_t i = 0; i < 4; ++i) {
    EXPECT_NEAR(f[i], expected_fine[i], 0.01);
    EXPECT_NEAR(c[i], expected_coarse[i], 0.01);
    if (i > 0) {
      EXPECT_GT(f[i], f[i - 1]);
      EXPECT_GT(c[i], c[i - 1]);
    }
  }
}

TEST_F(PlateA, StagesOfOnePlateAddUp) {
  const double a = density({10, 428, 106, 487});
  const double b = density({165, 440, 188, 474});
  const double c = density({284, 450, 302, 466});
  EXPECT_LT(a, b);
  EXPECT_LT(b, c);
  EXPECT_NEAR(a, 0.211, 0.01);
  EXPECT_NEAR(b, 0.662, 0.01);
  EXPECT_NEAR(c, 1.206, 0.02);
  // c's ring and b's lozenge had the same total: measured 0.675, 0.586 and 0.543 against 0.662.
  for (const double ring : {0.675, 0.586, 0.543}) EXPECT_NEAR(ring, b, 0.13);
}

TEST_F(PlateA, AStepLeftOutIsPredicted) {
  const auto f = fine(), c = coarse();
  const HermiteCurve without_ten_fine({0, 3, 20, 30}, {0, f[0], f[2], f[3]});
  const HermiteCurve without_ten_coarse({0, 6, 20, 30}, {0, c[0], c[2], c[3]});
  EXPECT_NEAR(without_ten_fine.at(10), f[1], 0.05);
  EXPECT_NEAR(without_ten_coarse.at(10), c[1], 0.05);
}

// D1 (1 - exp(-k t)) through our own fitter: two points of the needle on one plate need two curves.
TEST_F(PlateA, TheFittersSaturatingCurve) {
  SaturatingOptions options;
  options.fit_d0 = options.fit_beta = false;
  const auto fit = [&](const std::vector<double>& t, const std::vector<double>& d) {
    return fit_saturating(t, d, Eigen::MatrixXd::Identity(4, 4), options);
  };
  const auto f = fit({3, 10, 20, 30}, fine());
  const auto c = fit({6, 10, 20, 30}, coarse());
  ASSERT_TRUE(f.usable());
  ASSERT_TRUE(c.usable());
  EXPECT_NEAR(f.form.d1, 0.833, 0.01);
  EXPECT_NEAR(1 / f.form.tau, 0.1433, 0.005);
  EXPECT_NEAR(f.chi2, 0.0074, 0.001);
  EXPECT_NEAR(c.form.d1, 1.128, 0.02);
  EXPECT_NEAR(1 / c.form.tau, 0.05185, 0.002);
  EXPECT_NEAR(c.chi2, 0.00043, 0.0002);
}

}  // namespace
}  // namespace rebite::wedge
