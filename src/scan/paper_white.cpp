#include "scan/paper_white.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <utility>

#include "scan/paper_cells.h"
#include "scan/paper_sheet.h"
#include "scan/white_field.h"

namespace rebite::scan {
namespace {

constexpr double step_limit = 0.006;  // log10 between neighbour cells; plate tone is about 0.04
constexpr double brighter = 0.012;    // log10: another area this much lighter is lighter paper
constexpr double field_tolerance = 0.004;  // log10: even cells this near to the field are paper too
constexpr double guess_doubt = 0.03;       // log10 sd, when no bare paper is seen (plate tone)

std::vector<PaperLevel> levels_of(const PaperCells& cells,
                                  const std::vector<cv::Point>& where,
                                  const WhiteField* shape) {
  std::vector<PaperLevel> levels;
  levels.reserve(where.size());
  for (const cv::Point p : where) {
    const cv::Point2d at = cells.centre_px(p.x, p.y);
    const double off = shape ? shape->log_at(at.x, at.y) : 0;
    levels.push_back({at.x, at.y, double(cells.level(p)) - off});
  }
  return levels;
}

// The scatter of the paper's own texture: cells of the lightest tenth.
double usual_scatter(const PaperCells& cells) {
  std::vector<std::pair<float, float>> by_level;
  for (int r = 0; r < cells.rows; ++r) {
    for (int c = 0; c < cells.cols; ++c)
      by_level.push_back({-cells.level(r, c), cells.scatter(r, c)});
  }
  std::sort(by_level.begin(), by_level.end());
  by_level.resize(std::max<std::size_t>(1, by_level.size() / 10));
  std::vector<float> scatter;
  for (const auto& b : by_level) scatter.push_back(b.second);
  // A low quantile: the lightest tenth may hold pencil, plate and edges besides paper.
  const auto at = scatter.begin() + static_cast<std::ptrdiff_t>(scatter.size() / 4);
  std::nth_element(scatter.begin(), at, scatter.end());
  return double(*at);
}

bool frames_the_picture(const EvenArea& a) {
  return a.sides >= 2 || (a.span_x > 0.6 && a.span_y > 0.6);
}

struct Found {
  std::vector<cv::Point> cells;
  WhiteField field;
  double bridging_error = 0;
};

int most_degree(const EvenArea& a, bool shape_known) {
  if (shape_known) return 1;
  if (a.sides >= 4 || (a.span_x > 0.85 && a.span_y > 0.85 && a.sides != 2)) return 5;
  if (a.sides == 3) return 2;
  return a.sides == 2 ? 1 : 0;
}

// At most some thousands, evenly: enough to choose among a few shapes by, each fitted a dozen times.
std::vector<PaperLevel> thinned(const std::vector<PaperLevel>& levels) {
  constexpr std::size_t most = 4000;
  const std::size_t step = levels.size() / most + 1;
  std::vector<PaperLevel> some;
  for (std::size_t i = 0; i < levels.size(); i += step) some.push_back(levels[i]);
  return some;
}

Found fit_area(
    const PaperCells& cells, const EvenArea& area, const WhiteField* shape, int width, int height) {
  Found f;
  f.cells = area.cells;
  const auto levels = levels_of(cells, f.cells, shape);
  const DegreeChoice choice =
      choose_degree(thinned(levels), most_degree(area, shape != nullptr), width, height);
  f.field = fit_field(levels, choice.degree, width, height);
  f.bridging_error = choice.error;
  return f;
}

double above_field(const PaperCells& cells,
                   const EvenArea& area,
                   const Found& f,
                   const WhiteField* shape) {
  double sum = 0;
  for (const PaperLevel& l : levels_of(cells, area.cells, shape)) {
    sum += l.level - f.field.log_at(l.x, l.y);
  }
  return sum / double(area.cells.size());
}

// Whether `a` is rather the paper than `best` is.
bool is_better_paper(const cv::Mat1f& reflectance,
                     const PaperCells& cells,
                     const EvenArea& a,
                     const EvenArea& best,
                     const Found& found,
                     const WhiteField* shape) {
  if (a.cells.size() * 12 < best.cells.size()) return false;
  const AreaTexture of_a = texture_of(reflectance, cells, a);
  const AreaTexture of_best = texture_of(reflectance, cells, best);
  if (is_lid_beside_paper(of_a, of_best)) return false;
  if (above_field(cells, a, found, shape) >= brighter) return true;
  return is_lid_beside_paper(of_best, of_a) && a.span_x > 0.5 && a.span_y > 0.5;
}

// The paper among the even areas; nothing when none is like bare paper.
std::optional<Found> find_paper(const cv::Mat1f& reflectance,
                                const PaperCells& cells,
                                const std::vector<EvenArea>& areas,
                                const WhiteField* shape,
                                EvenArea* chosen) {
  const int width = reflectance.cols, height = reflectance.rows;
  std::vector<const EvenArea*> frames;
  for (const EvenArea& a : areas) {
    if (frames_the_picture(a)) frames.push_back(&a);
  }
  if (frames.empty()) {
    for (const EvenArea& a : areas) {
      if (a.sides == 1) frames.push_back(&a);
    }
  }
  // From the outside in: what touches most of the scan's border, then what spans most of it.
  const auto rank = [](const EvenArea* a) {
    return a->border_cells + 0.2 * double(a->cells.size()) * (a->span_x + a->span_y) / 2;
  };
  std::stable_sort(frames.begin(), frames.end(), [&](const EvenArea* a, const EvenArea* b) {
    return rank(a) > rank(b);
  });
  const EvenArea* best = nullptr;
  Found found;
  for (const EvenArea* a : frames) {
    if (best && !is_better_paper(reflectance, cells, *a, *best, found, shape)) continue;
    best = a;
    found = fit_area(cells, *a, shape, width, height);
  }
  if (!best) return std::nullopt;
  // A dark area along an edge of a cropped scan is not paper when much of the picture is lighter.
  std::size_t lighter = 0;
  const AreaTexture own = texture_of(reflectance, cells, *best);
  for (const EvenArea& a : areas) {
    if (&a == best || above_field(cells, a, found, shape) <= brighter) continue;
    if (is_lid_beside_paper(texture_of(reflectance, cells, a), own)) continue;
    lighter += a.cells.size();
  }
  const bool ring = best->sides >= 3 || (best->span_x > 0.6 && best->span_y > 0.6);
  if (double(lighter) > (ring ? 1.0 : 0.2) * double(best->cells.size())) return std::nullopt;
  *chosen = *best;
  return found;
}

// Paper that notes, stains or the plate's corner cut off from the rest joins when it fits the
// field.
void join_scattered_paper(const PaperCells& cells,
                          const std::vector<EvenArea>& areas,
                          const WhiteField* shape,
                          Found& f) {
  cv::Mat1b in(cells.rows, cells.cols, static_cast<unsigned char>(0));
  for (const cv::Point p : f.cells) in(p) = 1;
  for (const EvenArea& a : areas) {
    if (a.border_cells == 0 || in(a.cells.front())) continue;
    if (std::abs(above_field(cells, a, f, shape)) > field_tolerance) continue;
    f.cells.insert(f.cells.end(), a.cells.begin(), a.cells.end());
  }
}

void measure_spread(
    const WhiteField& field, const WhiteField* shape, int width, int height, PaperWhite& white) {
  double low = std::numeric_limits<double>::max(), high = 0, sum = 0;
  constexpr int n = 24;
  for (int r = 0; r <= n; ++r) {
    for (int c = 0; c <= n; ++c) {
      const double x = double(width - 1) * c / n, y = double(height - 1) * r / n;
      const double v = field.at(x, y) * (shape ? shape->at(x, y) : 1);
      low = std::min(low, v);
      high = std::max(high, v);
      sum += v;
    }
  }
  white.unevenness = (high - low) / (sum / ((n + 1) * (n + 1)));
}

// The scan's edge along which most of an area lies.
const char* edge_of(const PaperCells& cells, const EvenArea& a) {
  constexpr const char* names[] = {"left", "right", "top", "bottom"};
  int along[4] = {0, 0, 0, 0};
  for (const cv::Point p : a.cells) {
    along[0] += p.x == 0;
    along[1] += p.x + 1 == cells.cols;
    along[2] += p.y == 0;
    along[3] += p.y + 1 == cells.rows;
  }
  return names[std::max_element(along, along + 4) - along];
}

// Why the paper is not seen all round: along a tenth of the scan's border or more lies another even
// tone, and which. (A lid's dark is much darker; a lid has no fibre.)
std::string margin_note(const cv::Mat1f& reflectance,
                        const PaperCells& cells,
                        const std::vector<EvenArea>& areas,
                        const EvenArea& paper,
                        const Found& found) {
  constexpr double shown = 0.02, much = 0.2;  // log10
  const AreaTexture own = texture_of(reflectance, cells, paper);
  for (const EvenArea& a : areas) {  // the largest first
    if (a.border_cells * 10 < 2 * (cells.cols + cells.rows)) continue;
    const double darker = -above_field(cells, a, found, nullptr);
    if (darker < shown || darker > much) continue;
    if (is_lid_beside_paper(texture_of(reflectance, cells, a), own)) continue;
    return fmt::format(
        "An even tone {:.2f} D darker than the bare paper lies along the scan's {} edge: a stain, a "
        "shadow, other paper, or the plate itself. Where one of the first three goes on under the "
        "print, its tones are read so much too dark. Scan with 10 mm of clean bare paper on all "
        "sides.",
        darker,
        edge_of(cells, a));
  }
  return "Bare paper was not seen on all sides of the plate: how evenly the scanner lights the sheet "
         "cannot be told, and a wiped edge of the plate may have been taken for paper. Scan with "
         "10 mm of bare paper on all sides.";
}

PaperWhite brightest_tone(const PaperCells& cells, int width, int height) {
  std::vector<float> levels(cells.level.begin(), cells.level.end());
  const auto at = levels.begin() + static_cast<std::ptrdiff_t>(levels.size() * 97 / 100);
  std::nth_element(levels.begin(), at, levels.end());
  PaperWhite white;
  white.field = {0, {double(*at)}, width, height};
  white.margins_seen = false;
  white.doubt = guess_doubt;
  white.residual_sd = 0;
  white.notes.push_back(
      "No bare paper was seen round the plate: the lightest tone of the scan stands in for it, so "
      "all "
      "densities may be off by about 0.03 to 0.05 (plate tone). Scan with 10 mm of bare paper on "
      "all "
      "sides.");
  return white;
}

PaperWhite finish(
    const PaperCells& cells, const Found& f, const WhiteField* shape, int width, int height) {
  PaperWhite white;
  white.field = f.field;
  std::vector<double> weights;
  const auto levels = levels_of(cells, f.cells, shape);
  white.field = fit_field(levels, f.field.degree, width, height, &weights);
  white.paper_cells = cv::Mat1b(cells.rows, cells.cols, static_cast<unsigned char>(0));
  double squares = 0;
  std::size_t kept = 0;
  for (std::size_t i = 0; i < levels.size(); ++i) {
    if (weights[i] <= 0) continue;
    const double e = levels[i].level - white.field.log_at(levels[i].x, levels[i].y);
    squares += e * e;
    ++kept;
    white.paper_cells(f.cells[i]) = 255;
  }
  white.residual_sd = kept > 1 ? std::sqrt(squares / double(kept - 1)) : 0;
  white.paper_share = double(kept) / (double(cells.cols) * cells.rows);
  white.doubt =
      std::max(f.bridging_error, white.residual_sd / std::sqrt(std::max(1.0, double(kept))));
  measure_spread(white.field, shape, width, height, white);
  return white;
}

}  // namespace

PaperWhite find_paper_white(const cv::Mat1f& reflectance,
                            double px_per_mm,
                            const WhiteField* shape) {
  const int width = reflectance.cols, height = reflectance.rows;
  const PaperCells cells = measure_cells(reflectance, px_per_mm);
  const double texture = std::clamp(usual_scatter(cells), 0.002, 0.04);
  const double scatter_limit = std::clamp(2.2 * texture, 0.008, 0.06);
  const int least = std::max(6, cells.cols * cells.rows / 1000);
  const auto areas = even_areas(cells, scatter_limit, std::max(step_limit, 0.4 * texture), least);
  EvenArea chosen;
  auto found = find_paper(reflectance, cells, areas, shape, &chosen);
  PaperWhite white;
  if (!found) {
    white = brightest_tone(cells, width, height);
  } else {
    join_scattered_paper(cells, areas, shape, *found);
    white = finish(cells, *found, shape, width, height);
    white.sheet_px = sheet_outline(reflectance, cells, areas, chosen);
    const bool all_round = chosen.sides == 4 || (chosen.span_x > 0.85 && chosen.span_y > 0.85);
    if (!all_round && !shape) {
      white.doubt = std::max(white.doubt, 0.01);
      white.notes.push_back(margin_note(reflectance, cells, areas, chosen, *found));
    }
  }
  white.cell_px = cells.size;
  if (white.unevenness > 0.25) {
    white.notes.push_back(
        fmt::format("The paper's white changes by {:.0f} % over the sheet, more than a scanner's "
                    "lamp does: check "
                    "that the sheet lies flat and the lid is shut.",
                    100 * white.unevenness));
  }
  return white;
}

PaperWhite fit_blank_sheet(const cv::Mat1f& reflectance, double px_per_mm) {
  const int width = reflectance.cols, height = reflectance.rows;
  const PaperCells cells = measure_cells(reflectance, px_per_mm);
  Found f;
  for (int r = 0; r < cells.rows; ++r) {
    for (int c = 0; c < cells.cols; ++c) f.cells.push_back({c, r});
  }
  const auto levels = levels_of(cells, f.cells, nullptr);
  const DegreeChoice choice = choose_degree(levels, 6, width, height);
  f.field = fit_field(levels, choice.degree, width, height);
  f.bridging_error = choice.error;
  PaperWhite white = finish(cells, f, nullptr, width, height);
  white.cell_px = cells.size;
  return white;
}

void divide_by(cv::Mat1f& reflectance, const WhiteField& field, const WhiteField* shape) {
  // The field is smooth: it is worked out every 32 px and taken straight between.
  constexpr int step = 32;
  const int cols = (reflectance.cols - 1) / step + 2;
  const auto node_row = [&](int y) {
    std::vector<double> row(static_cast<std::size_t>(cols));
    for (int c = 0; c < cols; ++c) {
      const double x = double(c) * step;
      const double log = field.log_at(x, y) + (shape ? shape->log_at(x, y) : 0);
      row[static_cast<std::size_t>(c)] = std::pow(10.0, -log);
    }
    return row;
  };
  cv::parallel_for_({0, (reflectance.rows + step - 1) / step}, [&](const cv::Range& bands) {
    for (int band = bands.start; band < bands.end; ++band) {
      const int y0 = band * step;
      const std::vector<double> top = node_row(y0), bottom = node_row(y0 + step);
      for (int y = y0; y < std::min(y0 + step, reflectance.rows); ++y) {
        const double fy = double(y - y0) / step;
        float* row = reflectance[y];
        for (int c = 0; c + 1 < cols; ++c) {
          const auto i = static_cast<std::size_t>(c);
          const auto a = static_cast<float>(top[i] + fy * (bottom[i] - top[i]));
          const auto b = static_cast<float>(top[i + 1] + fy * (bottom[i + 1] - top[i + 1]));
          const float slope = (b - a) / step;
          const int x0 = c * step, x1 = std::min(x0 + step, reflectance.cols);
          for (int x = x0; x < x1; ++x) row[x] *= a + slope * static_cast<float>(x - x0);
        }
      }
    }
  });
}

double leave_out_beyond(cv::Mat1f& relative, const std::vector<cv::Point>& sheet_px) {
  if (sheet_px.size() < 3) return 0;
  cv::Mat1b inside(relative.size(), static_cast<unsigned char>(0));
  cv::fillConvexPoly(inside, sheet_px, cv::Scalar(255));
  double out = 0;
  for (int y = 0; y < relative.rows; ++y) {
    for (int x = 0; x < relative.cols; ++x) {
      if (inside(y, x)) continue;
      relative(y, x) = std::numeric_limits<float>::quiet_NaN();
      out += 1;
    }
  }
  return out / double(relative.total());
}

}  // namespace rebite::scan
