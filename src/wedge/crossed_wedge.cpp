#include "wedge/crossed_wedge.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>

namespace rebite::wedge {
namespace {

constexpr double least_land = 0.03;
constexpr double least_bite = 0.02;  // a second bite that took less than this land tells nothing

// Correlation of the wiping of neighbouring patches; falls as its powers further away. As between
// the steps of a wedge (FitOptions::wiping_correlation).
constexpr double neighbours_alike = 0.6;

// Of the full ink, read between the specks of land: 0.026 D rms on the plate maker's prints, seeds 1-40.
constexpr ToneGap solid_doubt = ToneGap::of(0.03);

struct LogLand {
  double value = 0, sd = 0, land = 1;
};

class Lands {
 public:
  Lands(Density film, Density solid) : film_(film.reflectance()), ink_(solid.reflectance()) {}
  LogLand of(const DensityEstimate& d) const {
    const double r = d.value.reflectance();
    const double land = std::max((r - ink_) / (film_ - ink_), 1e-3);
    // d ln(land) = dR / (R - ink), dR = ln 10 R dD
    return {std::log(land), d.sd * std::numbers::ln10 * r / std::max(r - ink_, 1e-4), land};
  }

 private:
  double film_, ink_;
};

struct Cell {
  std::size_t row, column;
  double x, y, x_sd, y_sd;
  double both_sd, now_sd;  // the parts of y_sd
};

// A patch that the slope rests on, and by how much the slope moves for one sd of its error.
struct Lever {
  std::size_t row, column;
  double moves;
};

// Variance of a sum of errors that neighbours share.
double shared_variance(const std::vector<Lever>& levers) {
  const auto apart = [](std::size_t a, std::size_t b) {
    return std::fabs(static_cast<double>(a) - static_cast<double>(b));
  };
  double sum = 0;
  for (const Lever& a : levers) {
    for (const Lever& b : levers) {
      const double distance = apart(a.row, b.row) + apart(a.column, b.column);
      sum += a.moves * b.moves * std::pow(neighbours_alike, distance);
    }
  }
  return std::max(sum, 0.0);
}

// Variance of the slope q = sum w x y / sum w x^2 by the errors of the patches (each patch of the
// strip bitten once carries all cells of its row) and of the curve, which is smooth: where it lies
// too high it does so at all second times.
double slope_variance(const std::vector<Cell>& cells, double q) {
  double xx = 0;
  const auto weight = [q](const Cell& c) {
    return 1 / std::max(c.y_sd * c.y_sd + q * q * c.x_sd * c.x_sd, 1e-12);
  };
  for (const Cell& c : cells) xx += weight(c) * c.x * c.x;
  std::vector<Lever> patches;
  double curve = 0;
  for (const Cell& c : cells) {
    const double k = weight(c) * c.x / xx;
    patches.push_back({c.row, c.column, k * c.both_sd});
    patches.push_back({c.row, 0, -k * c.now_sd});
    curve -= k * q * c.x_sd;
  }
  return shared_variance(patches) + curve * curve;
}

// Slope through the origin; the weights hold the error of x at the slope found.
template <class Use>
double slope_of(const std::vector<Cell>& cells, Use use) {
  double q = 1;
  for (int round = 0; round < 20; ++round) {
    double xx = 0;
    double xy = 0;
    for (const Cell& c : cells) {
      if (!use(c)) continue;
      const double variance = c.y_sd * c.y_sd + q * q * c.x_sd * c.x_sd;
      const double w = 1 / std::max(variance, 1e-12);
      xx += w * c.x * c.x;
      xy += w * c.x * c.y;
    }
    if (!(xx > 0)) return q;
    q = xy / xx;
  }
  return q;
}

double jackknife_variance(const std::vector<Cell>& cells, bool rows, std::size_t count) {
  std::vector<double> q;
  for (std::size_t k = 0; k < count; ++k) {
    const auto in = [&](const Cell& c) { return (rows ? c.row : c.column) == k; };
    const auto n = std::count_if(cells.begin(), cells.end(), in);
    if (n == 0 || n == static_cast<std::ptrdiff_t>(cells.size())) continue;
    q.push_back(slope_of(cells, [&](const Cell& c) { return !in(c); }));
  }
  if (q.size() < 2) return 0;
  double mean = 0;
  for (const double v : q) mean += v / static_cast<double>(q.size());
  double sum = 0;
  for (const double v : q) sum += (v - mean) * (v - mean);
  return sum * static_cast<double>(q.size() - 1) / static_cast<double>(q.size());
}

std::vector<Cell> cells_of(const CrossedGrid& grid,
                           const ToneCurve& curve,
                           Density film,
                           Density solid) {
  const Lands lands(film, solid);
  const auto by_curve = [&](BiteTime t) { return DensityEstimate{curve.at(t), curve.sd_at(t)}; };
  const bool unbitten_strip = grid.second.front().in_minutes() == 0;
  std::vector<Cell> cells;
  for (std::size_t i = 0; i < grid.first.size(); ++i) {
    for (std::size_t j = 0; j < grid.second.size(); ++j) {
      if (grid.second[j].in_minutes() <= 0) continue;
      const LogLand now =
          unbitten_strip ? lands.of(grid.density[i][0]) : lands.of(by_curve(grid.first[i]));
      const LogLand fresh = lands.of(by_curve(grid.second[j]));
      const LogLand both = lands.of(grid.density[i][j]);
      if (both.land < least_land || now.land < least_land || fresh.land < least_land) continue;
      if (fresh.land > 1 - least_bite) continue;
      cells.push_back({i,
                       j,
                       fresh.value,
                       both.value - now.value,
                       fresh.sd,
                       std::hypot(both.sd, now.sd),
                       both.sd,
                       now.sd});
    }
  }
  return cells;
}

double slope_of_all(const std::vector<Cell>& cells) {
  return slope_of(cells, [](const Cell&) { return true; });
}

}  // namespace

Result<OverlapRule> fit_overlap(const CrossedGrid& grid, const ToneCurve& curve, Density solid) {
  const std::size_t rows = grid.first.size();
  const std::size_t columns = grid.second.size();
  const bool shaped = grid.density.size() == rows && rows > 0 &&
                      std::all_of(grid.density.begin(), grid.density.end(), [&](const auto& row) {
                        return row.size() == columns;
                      });
  if (!shaped) {
    return refuse(
        ProblemKind::data,
        fmt::format("The crossed wedge has {} by {} times, but its densities are {} by {}.",
                    rows,
                    columns,
                    grid.density.size(),
                    grid.density.empty() ? 0 : grid.density.front().size()),
        "Give one time per strip of the first and of the second ground.");
  }
  const std::vector<Cell> cells = cells_of(grid, curve, curve.lightest(), solid);
  if (cells.size() < 3) {
    return refuse(
        ProblemKind::data,
        fmt::format("The crossed wedge has {} cells that tell how the second bite adds to "
                    "the first; at least 3 are needed.",
                    cells.size()),
        "Bite the strips to light and middle tones: in the darks no land is left to see.");
  }
  const double q = slope_of_all(cells);
  if (!(q >= 0.05 && q <= 5)) {
    return refuse(
        ProblemKind::data,
        fmt::format("The crossed wedge gives an overlap of {:.2f}, outside 0.05 to 5.", q),
        "Check the times of both grounds and which strips belong to the second.");
  }
  const double jackknife =
      std::sqrt(jackknife_variance(cells, true, rows) + jackknife_variance(cells, false, columns));
  // The film of unbitten metal and the full ink are guesses of the batch, shared by all cells.
  const double film = slope_of_all(cells_of(
      grid, curve, curve.lightest() + ToneGap::of(curve.sd_at(BiteTime::minutes(0))), solid));
  const double full = slope_of_all(cells_of(grid, curve, curve.lightest(), solid + solid_doubt));
  const double propagated =
      std::sqrt(slope_variance(cells, q) + (film - q) * (film - q) + (full - q) * (full - q));
  return OverlapRule{.q = q, .sd = std::max({propagated, jackknife, 1e-3}), .measured = true};
}

}  // namespace rebite::wedge
