#include "scan/paper_sheet.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

namespace rebite::scan {
namespace {

constexpr double much_darker = 0.2;  // log10: no paper's border falls so far below its middle

struct Pairs {
  double n = 0, sum = 0, squares = 0, products = 0;
};

// Neighbours along x in one cell, about the cell's own mean.
void add_pairs(const cv::Mat1f& m, const cv::Rect& cell, Pairs& all) {
  double mean = 0;
  for (int y = cell.y; y < cell.y + cell.height; ++y) {
    for (int x = cell.x; x < cell.x + cell.width; ++x) mean += double(m(y, x));
  }
  mean /= cell.area();
  for (int y = cell.y; y < cell.y + cell.height; ++y) {
    for (int x = cell.x; x + 1 < cell.x + cell.width; ++x) {
      const double a = double(m(y, x)) / mean - 1, b = double(m(y, x + 1)) / mean - 1;
      all.squares += 0.5 * (a * a + b * b);
      all.products += a * b;
      all.n += 1;
    }
  }
}

}  // namespace

AreaTexture texture_of(const cv::Mat1f& reflectance,
                       const PaperCells& cells,
                       const EvenArea& area) {
  constexpr std::size_t most = 120;
  const std::size_t step = std::max<std::size_t>(1, area.cells.size() / most);
  std::vector<float> scatter;
  Pairs pairs;
  const cv::Rect whole(0, 0, reflectance.cols, reflectance.rows);
  for (std::size_t i = 0; i < area.cells.size(); i += step) {
    const cv::Point p = area.cells[i];
    scatter.push_back(cells.scatter(p));
    const int side = static_cast<int>(cells.size);
    const cv::Rect cell(
        static_cast<int>(p.x * cells.size), static_cast<int>(p.y * cells.size), side, side);
    if ((cell & whole).area() > 4) add_pairs(reflectance, cell & whole, pairs);
  }
  const auto mid = scatter.begin() + static_cast<std::ptrdiff_t>(scatter.size() / 2);
  std::nth_element(scatter.begin(), mid, scatter.end());
  AreaTexture t;
  t.scatter = double(*mid);
  t.likeness = pairs.squares > 0 ? pairs.products / pairs.squares : 0;
  return t;
}

bool is_lid_beside_paper(const AreaTexture& lid, const AreaTexture& paper) {
  return lid.scatter < 0.75 * paper.scatter && lid.likeness < 0.2 &&
         lid.likeness < paper.likeness - 0.1;
}

std::vector<cv::Point> sheet_outline(const cv::Mat1f& reflectance,
                                     const PaperCells& cells,
                                     const std::vector<EvenArea>& areas,
                                     const EvenArea& paper) {
  if (paper.span_x < 0.5 || paper.span_y < 0.5) return {};
  enum : unsigned char { other = 0, is_paper = 1, is_lid = 2 };
  cv::Mat1b kind(cells.rows, cells.cols, static_cast<unsigned char>(other));
  const AreaTexture own = texture_of(reflectance, cells, paper);
  for (const EvenArea& a : areas) {
    const bool itself = a.cells.front() == paper.cells.front();
    const bool lid = !itself && a.border_cells > 0 &&
                     is_lid_beside_paper(texture_of(reflectance, cells, a), own);
    if (!itself && !lid) continue;
    for (const cv::Point p : a.cells) kind(p) = itself ? is_paper : is_lid;
  }
  int border = 0, beyond = 0, unclear = 0;
  for (int r = 0; r < cells.rows; ++r) {
    for (int c = 0; c < cells.cols; ++c) {
      if (r > 0 && c > 0 && r + 1 < cells.rows && c + 1 < cells.cols) continue;
      ++border;
      if (kind(r, c) == is_paper) continue;
      const bool dark = double(cells.level(r, c)) < paper.level - much_darker;
      // Paper that a scan's outermost pixels spoil is no riddle.
      const int inner_r = std::min(std::max(r, 1), std::max(0, cells.rows - 2));
      const int inner_c = std::min(std::max(c, 1), std::max(0, cells.cols - 2));
      if (!dark && kind(inner_r, inner_c) == is_paper) continue;
      (dark || kind(r, c) == is_lid ? beyond : unclear) += 1;
    }
  }
  // Most of a border side must be beyond the sheet, and little of the border may be a riddle.
  if (beyond < border / 8 || unclear > border / 8) return {};
  std::vector<cv::Point> corners;
  for (const cv::Point p : paper.cells) {
    const int x0 = static_cast<int>(p.x * cells.size), y0 = static_cast<int>(p.y * cells.size);
    // The grid may stop short of the scan's far border by a part of a cell.
    const int x1 =
        p.x + 1 == cells.cols ? reflectance.cols - 1 : static_cast<int>((p.x + 1) * cells.size) - 1;
    const int y1 =
        p.y + 1 == cells.rows ? reflectance.rows - 1 : static_cast<int>((p.y + 1) * cells.size) - 1;
    corners.insert(corners.end(), {{x0, y0}, {x1, y0}, {x0, y1}, {x1, y1}});
  }
  std::vector<cv::Point> hull;
  cv::convexHull(corners, hull);
  return hull;
}

}  // namespace rebite::scan
