// The map's fills and hatches keep apart for every eye, in grey and in one bit. Computed.
#include "sheets/palette.h"

#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>

#include "sheets/region_map.h"
#include "tests/sheets/colours.h"
#include "tests/sheets/page_pictures.h"

namespace rebite::sheets {
namespace {

using maker::Sight;
using maker::Triple;

struct Named {
  std::string name;
  Style style;
};

std::vector<Named> all_styles() {
  std::vector<Named> out;
  for (int k = 1; k <= 6; ++k) out.push_back({"stage " + std::to_string(k), stage_style(k, 6)});
  out.push_back({"burnish", action_style(plan::Action::burnish)});
  out.push_back({"scrape", action_style(plan::Action::scrape)});
  out.push_back({"soft", action_style(plan::Action::soft)});
  out.push_back({"beyond", action_style(plan::Action::beyond)});
  return out;
}

Triple srgb(const Style& s) { return {s.fill.r / 255.0, s.fill.g / 255.0, s.fill.b / 255.0}; }

// As drawn: the fill over artwork of one grey. The artwork is faded to 90..255 (region_map.cpp).
Triple drawn(const Style& s, double artwork) {
  Triple c = srgb(s);
  for (double& v : c) v = kFillOpacity * v + (1 - kFillOpacity) * artwork;
  return c;
}

TEST(Colours, Ciede2000AgainstThePublishedPairs) {
  // Sharma, Wu, Dalal 2005, table 1, six of its pairs (from memory; the table is the usual
  // check of an implementation).
  const struct {
    Triple a, b;
    double difference;
  } pairs[] = {{{50, 2.6772, -79.7751}, {50, 0, -82.7485}, 2.0425},
               {{50, -1.3802, -84.2814}, {50, 0, -82.7485}, 1.0000},
               {{50, 0, 0}, {50, -1, 2}, 2.3669},
               {{50, 2.5, 0}, {73, 25, -18}, 27.1492},
               {{60.2574, -34.0099, 36.2677}, {60.4626, -34.1751, 39.4387}, 1.2644},
               {{2.0776, 0.0795, -1.1350}, {0.9033, -0.0636, -0.5514}, 0.9082}};
  for (const auto& p : pairs) EXPECT_NEAR(maker::ciede2000(p.a, p.b), p.difference, 5e-5);
}

TEST(Colours, GreysStayGreyForEverySight) {
  for (const double v : {0.02, 0.2, 0.7, 1.0}) {
    for (const Sight s : {Sight::protanopia, Sight::deuteranopia, Sight::tritanopia}) {
      for (const double c : maker::machado({v, v, v}, s)) EXPECT_NEAR(c, v, 2e-3);
    }
    for (const Sight s : {Sight::protanopia, Sight::deuteranopia})
      for (const double c : maker::vienot({v, v, v}, s)) EXPECT_NEAR(c, v, 2e-2);
  }
}

// A pair under CIEDE2000 2.3 is commonly called just noticeable side by side; patches apart on a
// map need several times that.
constexpr double least_difference = 6;  // as drawn
// A visible step is 1 L* (design.md 4); fills must lie at least four apart in grey print.
constexpr double least_grey = 4;

TEST(Palette, EveryPairIsDistinctForEverySight) {
  const auto styles = all_styles();
  double worst = 1e9;
  std::string where;
  for (const double artwork : {90 / 255.0, 170 / 255.0, 1.0}) {
    for (std::size_t i = 0; i < styles.size(); ++i) {
      for (std::size_t j = 0; j < i; ++j) {
        const Triple a = maker::linear(drawn(styles[i].style, artwork));
        const Triple b = maker::linear(drawn(styles[j].style, artwork));
        const auto check = [&](const Triple& x, const Triple& y, const std::string& sight) {
          const double d = maker::ciede2000(maker::lab(x), maker::lab(y));
          if (d < worst) {
            worst = d;
            where = styles[i].name + " / " + styles[j].name + ", " + sight;
          }
          EXPECT_GE(d, least_difference)
              << styles[i].name << " / " << styles[j].name << " " << sight;
        };
        check(a, b, "usual");
        for (const auto& [s, name] : {std::pair{Sight::protanopia, "protanopia"},
                                      std::pair{Sight::deuteranopia, "deuteranopia"},
                                      std::pair{Sight::tritanopia, "tritanopia"}}) {
          check(maker::machado(a, s), maker::machado(b, s), name);
          if (s != Sight::tritanopia) check(maker::vienot(a, s), maker::vienot(b, s), name);
        }
      }
    }
  }
  RecordProperty("least_ciede2000", std::to_string(worst));
  std::cout << "least CIEDE2000 " << worst << " (" << where << ")\n";
}

TEST(Palette, EveryPairIsDistinctInGrey) {
  const auto styles = all_styles();
  double worst = 1e9;
  for (const double artwork : {90 / 255.0, 170 / 255.0, 1.0}) {
    for (std::size_t i = 0; i < styles.size(); ++i) {
      for (std::size_t j = 0; j < i; ++j) {
        const double d = std::abs(maker::lab(maker::linear(drawn(styles[i].style, artwork)))[0] -
                                  maker::lab(maker::linear(drawn(styles[j].style, artwork)))[0]);
        worst = std::min(worst, d);
        EXPECT_GE(d, least_grey) << styles[i].name << " / " << styles[j].name;
      }
    }
  }
  std::cout << "least difference in grey " << worst << " L*\n";
}

TEST(Palette, StagesGetDarkerAndKeepTheirEnds) {
  for (int stages = 1; stages <= 6; ++stages) {
    double lightness = 101;
    for (int k = 1; k <= stages; ++k) {
      const double l = maker::lab(maker::linear(srgb(stage_style(k, stages))))[0];
      EXPECT_LT(l, lightness - 5) << k << " of " << stages;
      lightness = l;
    }
  }
  for (const int stages : {7, 9, 14, 40})
    for (int k = 1; k < stages; ++k)
      EXPECT_NE(stage_style(k, stages).hatch, stage_style(k + 1, stages).hatch);
}

TEST(Palette, NumbersAndOutlinesHaveContrast) {
  // WCAG 2.2: 4.5 : 1 for text, 3 : 1 for graphics. Numbers stand black in tags that are 94 %
  // white; lines are black on a white casing.
  for (const auto& s : all_styles()) {
    for (const double artwork : {90 / 255.0, 1.0}) {
      Triple tag = drawn(s.style, artwork);
      for (double& v : tag) v = 0.94 + 0.06 * v;
      EXPECT_GE(maker::contrast({0, 0, 0}, tag), 7) << s.name;
      const Triple fill = drawn(s.style, artwork);
      // Either the black line or its white casing stands out from the fill.
      EXPECT_GE(std::max(maker::contrast({0, 0, 0}, fill), maker::contrast({1, 1, 1}, fill)), 3)
          << s.name;
    }
  }
}

// The hatch in one bit: how often black and white change along four directions, per 100 units.
std::array<double, 4> changes(const Style& style) {
  const cv::Mat1b grey = maker::png_grey(canvas_png(60, 60, 8, 0, [&](cairo_t* cr) {
    set_ink(cr, kWhite);
    cairo_paint(cr);
    draw_swatch(cr, style, -5, -5, 70, 70, {0.9, 2.6, 5.2, 0.7, true, true});
  }));
  // One bit against the fill itself: what a copier with its own threshold makes of it.
  cv::Mat1b hatch;
  cv::threshold(grey, hatch, 30, 255, cv::THRESH_BINARY);
  std::array<double, 4> out{};
  const int step_x[] = {1, 0, 1, 1}, step_y[] = {0, 1, 1, -1};
  for (std::size_t k = 0; k < 4; ++k) {
    int count = 0, seen = 0;
    for (int line = 40; line < 440; line += 7) {
      const int n = 400;
      cv::Point p(k == 1 ? line : 40, k == 1 ? 40 : line);
      int last = -1;
      for (int i = 0; i < n; ++i, p.x += step_x[k], p.y += step_y[k]) {
        if (p.x >= grey.cols || p.y >= grey.rows || p.y < 0) break;
        if (last >= 0 && hatch(p) != last) ++count;
        last = hatch(p);
        ++seen;
      }
    }
    out[k] = 800.0 * count / seen;
  }
  return out;
}

TEST(Palette, HatchesAreFoundInOneBit) {
  std::vector<std::pair<std::string, std::array<double, 4>>> seen;
  for (const auto& s : all_styles()) {
    if (s.name == "beyond" || s.name == "stage 6") continue;  // darker fills: own test below
    seen.emplace_back(s.name, changes(s.style));
    double most = 0;
    for (const double c : seen.back().second) most = std::max(most, c);
    EXPECT_GT(most, 8) << s.name << " shows no hatch";
  }
  for (std::size_t i = 0; i < seen.size(); ++i) {
    for (std::size_t j = 0; j < i; ++j) {
      double apart = 0;
      for (std::size_t k = 0; k < 4; ++k)
        apart = std::max(apart, std::abs(seen[i].second[k] - seen[j].second[k]));
      EXPECT_GT(apart, 4) << seen[i].first << " / " << seen[j].first;
    }
  }
  // Lines lie along their own direction: no change there, many across.
  const auto level = changes(stage_style(3, 6)), upright = changes(stage_style(4, 6));
  EXPECT_LT(level[0], 1);
  EXPECT_GT(level[1], 15);
  EXPECT_LT(upright[1], 1);
  EXPECT_GT(upright[0], 15);
  const auto rising = changes(stage_style(1, 6)), falling = changes(stage_style(2, 6));
  EXPECT_LT(rising[3], 1);
  EXPECT_GT(rising[2], 15);
  EXPECT_LT(falling[2], 1);
  EXPECT_GT(falling[3], 15);
}

TEST(Palette, DarkFillsShowTheirHatchByItsCasing) {
  for (const Style& s : {stage_style(6, 6), action_style(plan::Action::beyond)}) {
    const cv::Mat1b grey = maker::png_grey(canvas_png(60, 60, 8, 0, [&](cairo_t* cr) {
      set_ink(cr, kWhite);
      cairo_paint(cr);
      draw_swatch(cr, s, -5, -5, 70, 70, {0.9, 2.6, 5.2, 0.7, true, true});
    }));
    cv::Mat1b light;
    cv::threshold(grey, light, 150, 255, cv::THRESH_BINARY);
    const double share = cv::mean(light)[0] / 255;
    EXPECT_GT(share, 0.05);
    EXPECT_LT(share, 0.6);
  }
}

}  // namespace
}  // namespace rebite::sheets
