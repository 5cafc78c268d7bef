// The pictures of the book's numbers.
#include "jobs/book_plots.h"

#include <gmock/gmock.h>

#include <cmath>
#include <regex>

#include "tests/book/books.h"

namespace rebite::jobs {
namespace {
using testing::HasSubstr;
using testing::Not;

// Every coordinate of marks and words lies on the picture.
void expect_inside(const std::string& svg) {
  std::smatch box;
  ASSERT_TRUE(std::regex_search(svg, box, std::regex("viewBox=\"0 0 ([0-9.]+) ([0-9.]+)\"")));
  const double width = std::stod(box[1]), height = std::stod(box[2]);
  const std::regex pair("(?:[ML]|c?x=\")(-?[0-9.]+)(?: |\" c?y=\")(-?[0-9.]+)");
  int seen = 0;
  for (std::sregex_iterator i(svg.begin(), svg.end(), pair), end; i != end; ++i, ++seen) {
    const double x = std::stod((*i)[1]), y = std::stod((*i)[2]);
    EXPECT_TRUE(x >= 0 && x <= width && y >= 0 && y <= height) << i->str();
  }
  EXPECT_GT(seen, 10);
}

void expect_whole(const std::string& svg) {
  EXPECT_THAT(svg, testing::StartsWith("<svg "));
  EXPECT_THAT(svg, testing::EndsWith("</svg>\n"));
  EXPECT_THAT(svg, HasSubstr("<circle"));
  EXPECT_THAT(svg, Not(HasSubstr("nan")));
  EXPECT_THAT(svg, Not(HasSubstr("a<b>")));
  expect_inside(svg);
}

TEST(BookPlots, AreWholeInsideTheirFrameAndTheSameBytes) {
  book::TempFolder folder;
  book::Book book = book::filled_book(folder / "b.sqlite");
  const auto uses = book::must(book.uses(1));
  ASSERT_EQ(uses.size(), 3U);
  const auto h = book::learn(uses, book::lock_batch(), 4.0);
  EXPECT_EQ(h.compared, 2);
  expect_whole(drift_svg(h, "a<b>&\""));
  expect_whole(reached_svg(h, "x"));
  expect_whole(tone_history_svg(book::must(book.story(1, false))));
  EXPECT_EQ(drift_svg(h, "x"), drift_svg(book::learn(uses, book::lock_batch(), 4.0), "x"));
}

// A bath of one use: the line runs from the wedge over it to the next, and its bar is in the frame.
TEST(BookPlots, OneUseHasALineAndItsWholeBar) {
  book::SpeedHistory h;
  book::SpeedStep s;
  s.evidence.emplace();
  s.evidence->ln_speed = std::log(2.2);
  s.measured_sd = 0.4;
  s.after = 0.02, s.after_sd = 0.06;
  h.steps = {s};
  h.compared = 1, h.speed = 1.02, h.ln_sd = 0.08;
  const std::string svg = drift_svg(h, "x");
  expect_whole(svg);
  std::smatch line;
  ASSERT_TRUE(std::regex_search(svg, line, std::regex("class=\"learned\" d=\"(M[^\"]+)\"")));
  EXPECT_EQ(std::ranges::count(line[1].str(), 'L'), 2);
  EXPECT_THAT(svg, HasSubstr(">1</text>"));
  // The bar's upper end, 2.2 e^(0.66): its value is on the axis, not cut at it.
  std::smatch bar;
  ASSERT_TRUE(std::regex_search(
      svg, bar, std::regex("class=\"seen\" d=\"M([0-9.]+) ([0-9.]+)V([0-9.]+)m")));
  EXPECT_GT(std::stod(bar[3]), 13 * 4.0);
  EXPECT_LT(std::stod(bar[2]), (13 + 72) * 4.0);
}

TEST(BookPlots, NoPlanNoHistory) { EXPECT_EQ(tone_history_svg({}), ""); }

}  // namespace
}  // namespace rebite::jobs
