// bench-map.pdf as printed: rendered by poppler, measured in its pixels.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "sheets/bench_parts.h"
#include "sheets/sheets.h"
#include "sheets/wording.h"
#include "tests/sheets/made_content.h"
#include "tests/sheets/page_pictures.h"

namespace rebite::sheets {
namespace {

using maker::pdf_pages;
using maker::pdf_text;
using testing::HasSubstr;

constexpr double px_per_mm = 12;
constexpr double dpi = px_per_mm * 25.4;
constexpr int dark = 128;

// The longest dark run of a row.
struct Run {
  int from = 0, to = 0;  // to: one past the end
  double mm() const { return (to - from) / px_per_mm; }
};
Run longest_run(const cv::Mat1b& page, int y) {
  Run best, now;
  for (int x = 0; x < page.cols; ++x) {
    if (page(y, x) >= dark) continue;
    if (now.to != x) now.from = x;
    now.to = x + 1;
    if (now.to - now.from > best.to - best.from) best = now;
  }
  return best;
}

// Middle of the dark run that holds or lies nearest to `x`.
double line_middle(const cv::Mat1b& page, int y, int x) {
  for (int off = 0; off < 12; ++off) {
    for (const int at : {x - off, x + off}) {
      if (at < 0 || at >= page.cols || page(y, at) >= dark) continue;
      int a = at, b = at;
      while (a > 0 && page(y, a - 1) < dark) --a;
      while (b + 1 < page.cols && page(y, b + 1) < dark) ++b;
      return (a + b) / 2.0;
    }
  }
  return std::nan("");
}

// Length of the check rule in mm between the middles of its outer ticks; NaN where there is none.
double check_rule_mm(const cv::Mat1b& page) {
  for (int y = page.rows - 1; y > 80; --y) {
    const Run run = longest_run(page, y);
    if (run.mm() < 98.5 || run.mm() > 101.5) continue;
    const int above = y - static_cast<int>(3.6 * px_per_mm);  // only the outer ticks reach there
    return (line_middle(page, above, run.to - 2) - line_middle(page, above, run.from + 2)) /
           px_per_mm;
  }
  return std::nan("");
}

// The plate's frame by its edges' middles, in pixels.
struct Frame {
  double x0 = std::nan(""), y0 = std::nan(""), x1 = std::nan(""), y1 = std::nan("");
};
Frame plate_frame(const cv::Mat1b& page, double width_mm) {
  std::vector<int> rows;
  Run last;
  for (int y = 0; y < page.rows; ++y) {
    const Run run = longest_run(page, y);
    if (std::abs(run.mm() - width_mm) > 0.8) continue;
    rows.push_back(y);
    last = run;
  }
  Frame f;
  if (rows.empty()) return f;
  // The pen is 0.3 mm: its middle lies half of that inside the outermost dark pixels.
  const double half = 0.15 * px_per_mm;
  f.x0 = last.from + half;
  f.x1 = last.to - half;
  f.y0 = rows.front() + half;
  f.y1 = rows.back() + 1 - half;
  return f;
}

// The text of each page: pdftotext parts them by form feeds.
std::vector<std::string> page_texts(const std::string& pdf) {
  const std::string all = pdf_text(pdf);
  std::vector<std::string> out;
  for (std::size_t begin = 0; begin < all.size();) {
    const std::size_t end = std::min(all.find('\f', begin), all.size());
    out.push_back(all.substr(begin, end - begin));
    begin = end + 1;
  }
  return out;
}

// The first page that says so; 0: none.
int page_with(const std::vector<std::string>& texts, const std::string& words) {
  for (std::size_t i = 0; i < texts.size(); ++i)
    if (texts[i].find(words) != std::string::npos) return static_cast<int>(i) + 1;
  return 0;
}
int page_with(const std::string& pdf, const std::string& words) {
  return page_with(page_texts(pdf), words);
}

TEST(BenchMap, CheckRuleMeasures100MillimetresOnEveryPage) {
  for (const Paper paper : {Paper::a4, Paper::letter}) {
    const std::string pdf = bench_map_pdf(maker::made_content(), {paper, true});
    const auto pages = pdf_pages(pdf, dpi, 1, 99);
    ASSERT_EQ(pages.size(), 1U + 4 + 1 + 1 + 1);  // before, stages, by hand, transfer, print
    for (std::size_t i = 0; i < pages.size(); ++i)
      EXPECT_NEAR(check_rule_mm(pages[i]), 100.0, 0.1) << "page " << i + 1;
  }
}

TEST(BenchMap, PlateOutlineIsThePlatesSize) {
  const auto content = maker::made_content();
  const auto pages = pdf_pages(bench_map_pdf(content), dpi, 1, 99);
  for (std::size_t i = 0; i < pages.size(); ++i) {
    const Frame f = plate_frame(pages[i], content.plate.width);
    EXPECT_NEAR((f.x1 - f.x0) / px_per_mm, 150.0, 0.1) << "page " << i + 1;
    EXPECT_NEAR((f.y1 - f.y0) / px_per_mm, 110.0, 0.1) << "page " << i + 1;
  }
}

TEST(BenchMap, LShapeLiesAsOnTheMetal) {
  // Print view: upright at x 40..55, foot to the RIGHT as far as 105. On the metal the foot points
  // to the LEFT: x' = 150 - x: upright 95..110, foot 45..110, y 75..90.
  const auto pages = pdf_pages(bench_map_pdf(maker::made_one_region()), dpi, 2, 3);
  ASSERT_EQ(pages.size(), 2U);
  const Frame f = plate_frame(pages[0], 150);
  const auto white = [&](const Frame& frame, const cv::Mat1b& page, double x, double y) {
    return page(static_cast<int>(frame.y0 + y * px_per_mm),
                static_cast<int>(frame.x0 + x * px_per_mm)) >= dark;
  };
  for (const auto& [x, y, open] : {std::tuple{102.0, 30.0, true},  // upright
                                   {60.0, 86.0, true},             // toe of the foot
                                   {108.0, 88.0, true},            // heel
                                   {47.0, 30.0, false},            // where the print has it
                                   {60.0, 30.0, false},
                                   {115.0, 86.0, false},
                                   {40.0, 86.0, false}}) {
    EXPECT_EQ(white(f, pages[0], x, y), open) << x << "," << y;
  }
  // Within 0.3 mm of the true edges: 0.4 mm to both sides of the foot's left end and the heel.
  EXPECT_FALSE(white(f, pages[0], 45 - 0.4, 86));
  EXPECT_TRUE(white(f, pages[0], 45 + 0.5, 86));
  EXPECT_TRUE(white(f, pages[0], 110 - 0.5, 60));
  EXPECT_FALSE(white(f, pages[0], 110 + 0.4, 60));
  // The last page is the print: the foot points to the right, its toe near x = 105.
  const std::string words = pdf_text(bench_map_pdf(maker::made_one_region()), 3, 3);
  EXPECT_THAT(words, HasSubstr("PRINT VIEW"));
}

TEST(BenchMap, TextHoldsEveryStageTimeAndTheView) {
  const auto content = maker::made_content();
  const std::string pdf = bench_map_pdf(content);
  ASSERT_FALSE(content.plan.stages.empty());
  const auto texts = page_texts(pdf);
  for (const auto& s : content.plan.stages) {
    const int at = page_with(texts, stage_heading(s, content.plan.stages.size()));
    ASSERT_GT(at, 1);
    const std::string& page = texts[static_cast<std::size_t>(at) - 1];
    EXPECT_THAT(page, HasSubstr(stage_heading(s, content.plan.stages.size())));
    EXPECT_THAT(page, HasSubstr("dip " + clock_text(s.dip)));
    EXPECT_THAT(page, HasSubstr("total " + clock_text(s.total)));
    EXPECT_THAT(page, HasSubstr("PLATE VIEW"));
    for (const int id : s.stop_out_before) EXPECT_THAT(page, HasSubstr(std::to_string(id)));
  }
  const std::string first = pdf_text(pdf, 1, 1);
  for (const auto& r : content.plan.regions) {
    if (r.action != plan::Action::burnish && r.action != plan::Action::scrape) continue;
    EXPECT_THAT(first, HasSubstr(std::to_string(r.region.id) + ": " + action_text(r.action)));
    EXPECT_THAT(first, HasSubstr(area_text(r.region.area_mm2, Units::metric)));
  }
  EXPECT_THAT(first, HasSubstr("safety data sheet"));
}

TEST(BenchMap, SolidLightAndWhiteFollowTheLists) {
  // Stage 2 of the lock: regions that stage 1 finished are solid, hold is light, the rest white.
  const auto content = maker::made_content();
  const std::size_t stage = 1;
  const std::string pdf = bench_map_pdf(content);
  const int at_page = page_with(pdf, "STAGE 2 of");
  const auto page = pdf_pages(pdf, dpi, at_page, at_page).at(0);
  const Frame f = plate_frame(page, 150);
  const int reach = static_cast<int>(1.6 * px_per_mm);
  for (const auto& r : content.plan.regions) {
    if (r.region.width_mm < 9) continue;  // room beside the number
    // Mean darkness of a ring round the number's tag, 2.5 to 4 mm from a point inside.
    const auto at = plate_view(r.region.centre, content.plate);
    const int cx = static_cast<int>(f.x0 + at.x * px_per_mm);
    const int cy = static_cast<int>(f.y0 + (at.y - 3.6) * px_per_mm);
    const double grey = cv::mean(page(cv::Rect(cx - reach / 2, cy, reach, reach / 3)))[0];
    switch (stop_out(content, stage, r.region.id)) {
      case StopOut::now:
        EXPECT_LT(grey, 60) << r.region.id;
        break;
      case StopOut::open:
        EXPECT_GT(grey, 235) << r.region.id;
        break;
      case StopOut::already:
        EXPECT_GT(grey, 120) << r.region.id;
        EXPECT_LT(grey, 250) << r.region.id;
        break;
    }
  }
}

TEST(BenchMap, SameContentSameBytes) {
  const auto content = maker::made_content();
  EXPECT_TRUE(bench_map_pdf(content) == bench_map_pdf(content));
}

TEST(BenchMap, PrintDialogueIsToldNotToScaleAndTheFileIsSound) {
  const std::string pdf = bench_map_pdf(maker::made_content());
  ASSERT_TRUE(pdf.find("/PrintScaling /None") != std::string::npos);
  // The added section (ISO 32000-1, 7.5.6): the last startxref leads to a table whose one entry
  // leads to the catalog that says so.
  const auto number_after = [&](std::size_t at) { return std::stoul(pdf.substr(at, 20)); };
  const std::size_t xref = number_after(pdf.rfind("startxref") + 10);
  ASSERT_EQ(pdf.substr(xref, 5), "xref\n");
  const std::size_t root = number_after(xref + 5);
  const std::size_t catalog = number_after(pdf.find('\n', xref + 5) + 1);
  EXPECT_EQ(pdf.substr(catalog, 20).rfind(std::to_string(root) + " 0 obj", 0), 0U);
  EXPECT_LT(pdf.find("/Catalog", catalog), pdf.find("/PrintScaling /None", catalog));
  EXPECT_EQ(maker::pdf_info(pdf, "Pages"), "7");
  EXPECT_THAT(maker::pdf_info(pdf, "Page size"), HasSubstr("A4"));
  const std::string letter = bench_map_pdf(maker::made_content(), {Paper::letter, false});
  EXPECT_THAT(maker::pdf_info(letter, "Page size"), HasSubstr("letter"));
}

TEST(BenchMap, NoWorkAndNoWedgeSaySo) {
  const std::string none = bench_map_pdf(maker::made_no_work());
  EXPECT_EQ(maker::pdf_info(none, "Pages"), "2");
  EXPECT_THAT(pdf_text(none), HasSubstr("Nothing to bite"));
  EXPECT_THAT(pdf_text(none), HasSubstr("Nothing to scrape or burnish"));
  const std::string bare = bench_map_pdf(maker::without_batch(maker::made_content()));
  EXPECT_THAT(pdf_text(bare), HasSubstr("without a wedge"));
  const std::string brief = bench_map_pdf(maker::without_stages(maker::made_content()));
  EXPECT_THAT(pdf_text(brief), HasSubstr("Nothing can be bitten"));
  EXPECT_THAT(pdf_text(brief), testing::Not(HasSubstr("without a wedge")));
}

// Times for a bath of 15 C, and a tick that said "as for the wedge: 20 C".
TEST(BenchMap, TheBathIsTheOneThatTheTimesAreFor) {
  auto content = maker::made_content();
  EXPECT_THAT(pdf_text(bench_map_pdf(content)), HasSubstr("Bath as for the wedge: 20"));
  content.plan.bath = Temperature::celsius(15);
  content.plan.temperature_factor = 1.16;
  const std::string words = pdf_text(bench_map_pdf(content));
  EXPECT_THAT(words, HasSubstr("Bath as planned for, not as the wedge's: 15"));
  EXPECT_THAT(words, testing::Not(HasSubstr("as for the wedge: 20")));
}

TEST(BenchMap, InchesAndFahrenheit) {
  auto content = maker::made_content();
  content.units = Units::inches;
  content.fahrenheit = true;
  const std::string words = pdf_text(bench_map_pdf(content));
  EXPECT_THAT(words, HasSubstr("5.91 × 4.33 in"));
  EXPECT_THAT(words, HasSubstr("68 °F"));
  EXPECT_THAT(words, HasSubstr("in²"));
  EXPECT_THAT(words, testing::Not(HasSubstr("°C")));
}

TEST(BenchMap, LargePlateIsTiledWithJoins) {
  const auto content = maker::made_large_plate();
  const std::string pdf = bench_map_pdf(content);
  const std::string words = pdf_text(pdf);
  for (const char* join : {"joins A1", "joins B1", "joins A2", "joins B2"})
    EXPECT_THAT(words, HasSubstr(join));
  const auto tiles = tiles_for(content.plate, 194, 255);
  double right = 0, bottom = 0;
  for (const auto& t : tiles) {
    EXPECT_LE(t.window.width, 194);
    EXPECT_LE(t.window.height, 255);
    right = std::max(right, t.window.x + t.window.width);
    bottom = std::max(bottom, t.window.y + t.window.height);
    for (const auto& o : tiles) {
      if (o.row != t.row || o.column != t.column + 1) continue;
      EXPECT_NEAR(t.window.x + t.window.width - o.window.x, kTileOverlap, 1e-9);
    }
  }
  EXPECT_NEAR(right, 600 + kTileBorder, 1e-9);
  EXPECT_NEAR(bottom, 400 + kTileBorder, 1e-9);
}

TEST(BenchMap, PlatesOfEveryShapeKeepTheirSizeOnOnePageWhereTheyFit) {
  for (const SizeMm plate : {SizeMm{20, 15}, SizeMm{60, 250}, SizeMm{200, 150}, SizeMm{280, 60}}) {
    maker::ContentOptions options;
    options.plate = plate;
    const auto content = maker::made_content(options);
    const std::string pdf = bench_map_pdf(content);
    const int at = page_with(pdf, "STAGE 2 of 4");
    const auto page = pdf_pages(pdf, dpi, at, at).at(0);
    const Frame f = plate_frame(page, plate.width);
    EXPECT_NEAR((f.x1 - f.x0) / px_per_mm, plate.width, 0.1);
    EXPECT_NEAR((f.y1 - f.y0) / px_per_mm, plate.height, 0.1);
    EXPECT_NEAR(check_rule_mm(page), 100, 0.1) << plate.width;
  }
}

// Legible at 1.5 m: 16 minutes of arc is the least character height that ISO 9241-303 asks for
// (from memory), which is 7.0 mm of capital there.
TEST(BenchMap, StageDipAndTotalAreReadableAtOneAndAHalfMetres) {
  for (const SizeMm plate :
       {SizeMm{150, 110}, SizeMm{60, 250}, SizeMm{200, 150}, SizeMm{280, 60}, SizeMm{600, 400}}) {
    for (const Paper paper : {Paper::a4, Paper::letter}) {
      maker::ContentOptions options;
      options.plate = plate;
      options.grid_px_per_mm = 2;
      auto content = maker::made_content(options);
      content.plan.stages.back().dip = BiteTime::minutes(65.5);
      content.plan.stages.back().total = BiteTime::minutes(68.5);
      const std::string pdf = bench_map_pdf(content, {paper, false});
      const auto texts = page_texts(pdf);
      // The shortest and the longest words.
      for (const auto& s : {content.plan.stages.front(), content.plan.stages.back()}) {
        const int page = page_with(texts, stage_heading(s, content.plan.stages.size()));
        for (const std::string& word : {clock_text(s.dip), clock_text(s.total)})
          EXPECT_GE(maker::capital_mm(pdf, page, word), 7.0) << plate.width << " " << word;
      }
    }
  }
}

TEST(BenchMap, TilesJoinWithoutAStep) {
  // Two neighbours' windows overlap by 10 mm: what both show there is the same picture.
  const auto content = maker::made_large_plate();
  const auto tiles = tiles_for(content.plate, 194, 255);
  const PlateDrawing drawing = plate_drawing(content, {});
  const auto picture = [&](const Tile& t) {
    return maker::png_grey(canvas_png(t.window.width, t.window.height, 4, 0, [&](cairo_t* cr) {
      set_ink(cr, kWhite);
      cairo_paint(cr);
      PlateFrame f{content.plate, -t.window.x, -t.window.y, 1, true};
      draw_stage_plate(cr, f, content, drawing, 0);
    }));
  };
  const cv::Mat1b a = picture(tiles[0]), b = picture(tiles[1]);
  const int overlap = static_cast<int>(kTileOverlap * 4);
  const cv::Mat1b left = a.colRange(a.cols - overlap, a.cols), right = b.colRange(0, overlap);
  cv::Mat1b difference;
  cv::absdiff(left, right, difference);
  // 158.75 mm * 4 px is not whole: lines may fall a fraction of a pixel apart.
  EXPECT_LT(cv::mean(difference)[0], 3.0);
  EXPECT_LT(cv::mean(left)[0], 250.0);  // there is something to compare
}

// A long plate in pieces: each end's edge is as long on its tile as on the metal, across and down.
TEST(BenchMap, TilesKeepThePlatesSizeBothWays) {
  for (const SizeMm plate : {SizeMm{130, 600}, SizeMm{600, 130}}) {
    maker::ContentOptions options;
    options.plate = plate;
    options.grid_px_per_mm = 2;
    const std::string pdf = bench_map_pdf(maker::made_content(options));
    const auto texts = page_texts(pdf);
    int ends = 0, pieces = 0;
    for (std::size_t i = 0; i < texts.size(); ++i) {
      if (texts[i].find("joins") == std::string::npos) continue;
      if (texts[i].find("STAGE 2 of") == std::string::npos) continue;
      ++pieces;
      const int at = static_cast<int>(i) + 1;
      const cv::Mat1b page = pdf_pages(pdf, dpi, at, at).at(0);
      EXPECT_NEAR(check_rule_mm(page), 100, 0.1) << "page " << at;
      const Frame f = plate_frame(plate.width < plate.height ? page : cv::Mat1b(page.t()), 130);
      if (std::isnan(f.x0)) continue;
      ++ends;
      EXPECT_NEAR((f.x1 - f.x0) / px_per_mm, 130, 0.1) << "page " << at;
    }
    EXPECT_GE(pieces, 3);
    EXPECT_EQ(ends, 2);
  }
}

TEST(BenchMap, ByHandPageHoldsFromToAndGuide) {
  const auto content = maker::made_content();
  const auto texts = page_texts(bench_map_pdf(content));
  // Named on page 1 and beside each stage; a page of its own after the stages.
  EXPECT_THAT(texts.at(0), HasSubstr("page BY HAND"));
  const std::string& page = texts.at(texts.size() - 2);
  EXPECT_THAT(page, HasSubstr("BY HAND"));
  EXPECT_THAT(page, HasSubstr("PLATE VIEW"));
  int hand = 0;
  for (const auto& r : content.plan.regions) {
    if (r.action != plan::Action::soft && r.action != plan::Action::line) continue;
    ++hand;
    EXPECT_THAT(page,
                HasSubstr(std::to_string(r.region.id) + ": " + density_text(r.region.now.value)));
    EXPECT_THAT(page, HasSubstr("to " + density_text(r.region.target.value)));
    ASSERT_TRUE(r.guide);
    EXPECT_THAT(page, HasSubstr("guide " + clock_text(*r.guide)));
  }
  EXPECT_GE(hand, 2);
  for (const auto& s : content.plan.stages) {
    const int at = page_with(texts, stage_heading(s, content.plan.stages.size()));
    EXPECT_THAT(texts.at(static_cast<std::size_t>(at) - 1), HasSubstr("By hand: 12 (D "));
  }
  EXPECT_EQ(page_with(bench_map_pdf(maker::made_one_region()), "BY HAND"), 0);
}

TEST(BenchMap, WhatMustComeLighterIsBurnishedAndNeverBrushedWithAcid) {
  auto content = maker::made_content();
  auto& soft = *std::ranges::find_if(
      content.plan.regions, [](const auto& r) { return r.action == plan::Action::soft; });
  std::swap(soft.region.now, soft.region.target);
  soft.region.gap = soft.region.target.value - soft.region.now.value;
  soft.guide.reset();
  const std::string id = std::to_string(soft.region.id);
  for (const plan::Ground ground : {plan::Ground::fresh, plan::Ground::kept}) {
    content.plan.ground = ground;
    const auto texts = page_texts(bench_map_pdf(content));
    EXPECT_THAT(texts.at(0), HasSubstr(id + ": burnish by degrees"));
    EXPECT_THAT(texts.at(0),
                HasSubstr(ground == plan::Ground::fresh ? "Before the new ground is laid"
                                                        : "After this bite"));
    for (const auto& page : texts) {
      if (page.find("acid") == std::string::npos) continue;
      EXPECT_THAT(page, testing::Not(HasSubstr(id + ": D ")));
    }
  }
}

TEST(BenchMap, ANoteLongerThanAPageStillEnds) {
  auto content = maker::made_one_region();
  std::string words;
  for (int i = 0; i < 6000; ++i) words += "word ";
  content.plan.notes = {words};
  EXPECT_GT(page_texts(bench_map_pdf(content)).size(), 2U);
}

TEST(BenchMap, FirstPageHoldsTheWholeStageListAndTheScansNotes) {
  auto content = maker::made_content();
  content.plan.notes.push_back("Proof: 8-bit scan, darks are coarse");
  content.map.notes = {"Proof: 8-bit scan, darks are coarse", "only on the map"};
  for (int i = 0; i < 12; ++i)
    content.plan.notes.push_back("a further note that makes the page too small, number " +
                                 std::to_string(i));
  const auto texts = page_texts(bench_map_pdf(content));
  const std::string& first = texts.at(0);
  for (const auto& s : content.plan.stages)
    EXPECT_THAT(first, HasSubstr("Stage " + std::to_string(s.number) + ": dip"));
  EXPECT_THAT(first, HasSubstr("8-bit scan"));
  EXPECT_THAT(first, HasSubstr("D 0.20"));  // the control strip
  EXPECT_THAT(texts.at(1), testing::Not(HasSubstr("8-bit scan"))) << "said twice";
  EXPECT_THAT(first + texts.at(1), HasSubstr("only on the map"));
  // With too much to lower for one page the list of stages stays whole on the next.
  const auto many = page_texts(bench_map_pdf(maker::made_many_regions()));
  for (int stage = 1; stage <= 5; ++stage)
    EXPECT_THAT(many.at(1), HasSubstr("Stage " + std::to_string(stage) + ": dip"));
}

TEST(BenchMap, ToneNearBareMetalIsSaidInWords) {
  auto content = maker::made_content();
  for (auto& r : content.plan.regions)
    if (r.region.id == 6) r.region.target.value = Density::of(0.07);
  EXPECT_THAT(pdf_text(bench_map_pdf(content), 1, 1), HasSubstr("nearly bare metal (D 0.07)"));
}

TEST(BenchMap, APrintersScaleIsTakenOutAboutThePagesMiddle) {
  BenchMapOptions options;
  options.printer_across = 0.985;
  options.printer_down = 0.99;
  const std::string pdf = bench_map_pdf(maker::made_content(), options);
  const auto page = pdf_pages(pdf, dpi, 1, 1).at(0);
  const Frame f = plate_frame(page, 150 / 0.985);
  // What such a printer makes of it: the plate's size.
  EXPECT_NEAR((f.x1 - f.x0) / px_per_mm * 0.985, 150, 0.1);
  EXPECT_NEAR((f.y1 - f.y0) / px_per_mm * 0.99, 110, 0.1);
  EXPECT_NEAR((f.x0 + f.x1) / 2 / px_per_mm, 105, 0.1);
  EXPECT_THAT(pdf_text(pdf, 1, 1), HasSubstr("100 mm as 98.5 × 99.0"));
  EXPECT_THAT(maker::pdf_info(pdf, "Page size"), HasSubstr("A4"));
}

// The four sizes of plan, and no wedge: the rule, the view, every stage time, on both papers.
TEST(BenchMap, PlansOfEverySizeCarryRuleViewAndTimes) {
  const std::pair<const char*, SheetContent> kinds[] = {{"one", maker::made_one_region()},
                                                        {"many", maker::made_many_regions()},
                                                        {"none", maker::made_no_work()},
                                                        {"large", maker::made_large_plate()}};
  for (const auto& [name, content] : kinds) {
    for (const Paper paper : {Paper::a4, Paper::letter}) {
      const std::string pdf = bench_map_pdf(content, {paper, true});
      const auto texts = page_texts(pdf);
      const int pages = static_cast<int>(texts.size());
      for (const auto& s : content.plan.stages) {
        const int at = page_with(texts, stage_heading(s, content.plan.stages.size()));
        ASSERT_GT(at, 0) << name;
        EXPECT_THAT(texts[static_cast<std::size_t>(at) - 1], HasSubstr(dip_text(s))) << name;
      }
      for (int i = 0; i < pages; ++i) {
        const std::string& page = texts[static_cast<std::size_t>(i)];
        const bool view = page.find("PLATE VIEW") != std::string::npos ||
                          page.find("plate view") != std::string::npos ||
                          page.find("PRINT VIEW") != std::string::npos;
        EXPECT_TRUE(view) << name << " page " << i + 1;
        EXPECT_THAT(page, HasSubstr("100 mm")) << name << " page " << i + 1;
      }
      // Measured on a page in the middle and, once, on the first and the last.
      const std::vector<int> measured = paper == Paper::a4 ? std::vector{1, (pages + 1) / 2, pages}
                                                           : std::vector{(pages + 1) / 2};
      for (const int at : measured)
        EXPECT_NEAR(check_rule_mm(pdf_pages(pdf, dpi, at, at).at(0)), 100.0, 0.1)
            << name << " page " << at;
    }
  }
}

// Too little memory at the end of a PDF: Cairo leaves out a font, or all that follows, and says nothing.
TEST(BenchMap, APdfThatLacksAnObjectIsKnown) {
  PdfPages pages("of /Size 9 startxref trailer xref", "");
  for (int i = 0; i < 3; ++i)
    pages.page(210, 297, [](cairo_t* cr) { draw_text(cr, 20, 20, "Stage 1", {}); });
  const std::string all = pages.bytes();
  const std::string drawn = all.substr(0, all.find("%%EOF") + 6);  // without our own addition
  ASSERT_TRUE(pdf_is_whole(drawn));
  int objects = 0;
  for (int i = 1; drawn.find("\n" + std::to_string(i) + " 0 obj") != std::string::npos; ++i) {
    std::string lacking = drawn;
    lacking.replace(lacking.find("\n" + std::to_string(i) + " 0 obj"), 8, 8, ' ');
    EXPECT_FALSE(pdf_is_whole(lacking)) << i;
    ++objects;
  }
  EXPECT_GT(objects, 8);
  for (std::size_t cut = drawn.size() - 8; cut > 0; cut -= std::min<std::size_t>(cut, 7))
    ASSERT_FALSE(pdf_is_whole(drawn.substr(0, cut))) << cut;
}

TEST(BenchMap, PagesLookAsKept) {
  const std::tuple<const char*, SheetContent, double, int> kinds[] = {
      {"bench-lock", maker::made_content(), 36, 4},
      {"bench-one", maker::made_one_region(), 24, 3},
      {"bench-many", maker::made_many_regions(), 36, 4},
      {"bench-none", maker::made_no_work(), 24, 2},
      {"bench-large", maker::made_large_plate(), 16, 9}};
  for (const auto& [name, content, resolution, columns] : kinds) {
    const auto pages = pdf_pages(bench_map_pdf(content), resolution, 1, 99);
    EXPECT_TRUE(maker::like_reference(name, maker::contact_sheet(pages, columns)));
  }
}

}  // namespace
}  // namespace rebite::sheets
