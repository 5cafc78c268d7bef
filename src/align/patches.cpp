#include "align/patches.h"

#include <algorithm>
#include <array>
#include <cassert>
#include <cmath>
#include <opencv2/core/hal/intrin.hpp>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <vector>

#include "align/parallel.h"
#include "align/patch_products.h"

namespace rebite::align {
namespace {

struct Moments {
  double mean = 0, variance = 0;
};

// A sum of one row, four places side by side; rows are added up in double.
double all_of(cv::v_float32x4 sum) {
  float lane[4];
  cv::v_store(lane, sum);
  return (static_cast<double>(lane[0]) + static_cast<double>(lane[1])) +
         (static_cast<double>(lane[2]) + static_cast<double>(lane[3]));
}

Moments moments(const cv::Mat1f& m) {
  double sum = 0, square = 0;
  for (int y = 0; y < m.rows; ++y) {
    const float* row = m[y];
    cv::v_float32x4 s = cv::v_setzero_f32(), q = s;
    int x = 0;
    for (; x + 4 <= m.cols; x += 4) {
      const cv::v_float32x4 v = cv::v_load(row + x);
      s += v;
      q = cv::v_muladd(v, v, q);
    }
    sum += all_of(s);
    square += all_of(q);
    for (; x < m.cols; ++x) {
      const double v = row[x];
      sum += v;
      square += v * v;
    }
  }
  const double n = static_cast<double>(m.total());
  return {sum / n, std::max(0.0, square / n - sum / n * (sum / n))};
}

// Sums of the drawing and of its square over every window of the search, by running sums.
struct WindowSums {
  cv::Mat1d sum, square;
  explicit WindowSums(const cv::Mat1f& search) {
    cv::integral(search, sum, square, CV_64F, CV_64F);
  }
  static double over(const cv::Mat1d& s, int x, int y, int side) {
    return s(y + side, x + side) - s(y, x + side) - s(y + side, x) + s(y, x);
  }
};

// Correlation coefficient at every shift.
cv::Mat1f correlation(const cv::Mat1f& patch,
                      const Moments& own,
                      const cv::Mat1f& search,
                      int reach) {
  const int side = patch.cols, n = 2 * reach + 1;
  const WindowSums sums(search);
  const double pixels = static_cast<double>(side) * side;
  const PatchProducts rows(patch, search);
  std::vector<double> product(static_cast<std::size_t>(n));
  cv::Mat1f surface(n, n);
  for (int dy = 0; dy < n; ++dy) {
    rows.row(dy, product);
    for (int dx = 0; dx < n; ++dx) {
      const double mean = WindowSums::over(sums.sum, dx, dy, side) / pixels;
      const double variance = WindowSums::over(sums.square, dx, dy, side) / pixels - mean * mean;
      const double scale = std::sqrt(own.variance * std::max(variance, 0.0));
      surface(dy, dx) =
          scale > 1e-9
              ? static_cast<float>(
                    (product[static_cast<std::size_t>(dx)] / pixels - own.mean * mean) / scale)
              : 0.0F;
    }
  }
  return surface;
}

// Gradients of a patch and of what it was found to be: mean outer products of both, per unit of
// variance, and where in the patch the structure lies that the two share.
struct Gradients {
  cv::Matx22d energy;  // mean of the two
  cv::Point2d middle;  // px from the patch's centre
};

Gradients gradients(const cv::Mat1f& p, double p_variance, const cv::Mat1f& q, double q_variance) {
  double p_xx = 0, p_xy = 0, p_yy = 0, q_xx = 0, q_xy = 0, q_yy = 0;
  double shared = 0, shared_x = 0, shared_y = 0;
  const double half_x = (p.cols - 1) / 2.0, half_y = (p.rows - 1) / 2.0;
  const cv::v_float32x4 half = cv::v_setall_f32(0.5F), none = cv::v_setzero_f32();
  for (int y = 1; y + 1 < p.rows; ++y) {
    cv::v_float32x4 pxx = none, pxy = none, pyy = none, qxx = none, qxy = none, qyy = none;
    cv::v_float32x4 both = none, both_x = none;
    const float *p_up = p[y - 1], *p_on = p[y], *p_down = p[y + 1];
    const float *q_up = q[y - 1], *q_on = q[y], *q_down = q[y + 1];
    const auto across = static_cast<float>(half_x);
    cv::v_float32x4 place(1 - across, 2 - across, 3 - across, 4 - across);
    int x = 1;
    const auto add = [&](cv::v_float32x4 px, cv::v_float32x4 py, cv::v_float32x4 qx, auto qy) {
      pxx = cv::v_muladd(px, px, pxx);
      pxy = cv::v_muladd(px, py, pxy);
      pyy = cv::v_muladd(py, py, pyy);
      qxx = cv::v_muladd(qx, qx, qxx);
      qxy = cv::v_muladd(qx, qy, qxy);
      qyy = cv::v_muladd(qy, qy, qyy);
      const cv::v_float32x4 product = cv::v_muladd(px, qx, py * qy);
      both += product;
      both_x = cv::v_muladd(product, place, both_x);
      place += cv::v_setall_f32(4);
    };
    for (; x + 4 < p.cols; x += 4)
      add((cv::v_load(p_on + x + 1) - cv::v_load(p_on + x - 1)) * half,
          (cv::v_load(p_down + x) - cv::v_load(p_up + x)) * half,
          (cv::v_load(q_on + x + 1) - cv::v_load(q_on + x - 1)) * half,
          (cv::v_load(q_down + x) - cv::v_load(q_up + x)) * half);
    // The last few, filled up with zeros.
    float rest[4][4] = {};
    for (int k = 0; x + 1 < p.cols; ++x, ++k) {
      rest[0][k] = 0.5F * (p_on[x + 1] - p_on[x - 1]);
      rest[1][k] = 0.5F * (p_down[x] - p_up[x]);
      rest[2][k] = 0.5F * (q_on[x + 1] - q_on[x - 1]);
      rest[3][k] = 0.5F * (q_down[x] - q_up[x]);
    }
    add(cv::v_load(rest[0]), cv::v_load(rest[1]), cv::v_load(rest[2]), cv::v_load(rest[3]));
    p_xx += all_of(pxx);
    p_xy += all_of(pxy);
    p_yy += all_of(pyy);
    q_xx += all_of(qxx);
    q_xy += all_of(qxy);
    q_yy += all_of(qyy);
    const double row = all_of(both);
    shared += row;
    shared_x += all_of(both_x);
    shared_y += row * (y - half_y);
  }
  const double n = (p.rows - 2) * (p.cols - 2);
  const double of_p = 0.5 / (n * std::max(p_variance, 1e-12));
  const double of_q = 0.5 / (n * std::max(q_variance, 1e-12));
  Gradients g;
  const double xy = p_xy * of_p + q_xy * of_q;
  g.energy = {p_xx * of_p + q_xx * of_q, xy, xy, p_yy * of_p + q_yy * of_q};
  // Noise alone could throw it anywhere: not where hardly anything is shared.
  if (shared > 0.05 * std::sqrt((p_xx + p_yy) * (q_xx + q_yy)))
    g.middle = {std::clamp(shared_x / shared, -half_x, half_x),
                std::clamp(shared_y / shared, -half_y, half_y)};
  return g;
}

struct Peak {
  cv::Point at;           // in the surface
  cv::Point2d offset;     // sub-pixel, each within -1..1
  cv::Matx22d curvature;  // - second derivatives of rho, positive definite
  double rho = 0, z = 0;
  int directions = 2;
};

// Top of the 3 x 3 values v (row by row): a quadratic by least squares through their logarithms
// where they stand clear of zero, because the peak of fine grain is a bell hardly wider than a
// pixel and a plain quadratic would pull it to whole pixels; through the values themselves else.
struct Top {
  cv::Point2d offset;
  cv::Matx22d curvature;  // - second derivatives of v, semi-definite
  int directions = 2;
};

std::optional<Top> top_of(const std::array<double, 9>& v) {
  const double best = v[4];
  const bool bell = best > 0.25 && *std::min_element(v.begin(), v.end()) > 0.08 * best;
  std::array<double, 9> f{};
  for (std::size_t k = 0; k < 9; ++k) f[k] = bell ? std::log(v[k] / best) : v[k];
  const auto at = [&](int i, int j) { return f[static_cast<std::size_t>(4 + 3 * j + i)]; };
  // The middle row and column count double: they know the peak best.
  double gx = 0, gy = 0, hxx = 0, hyy = 0;
  for (int k = -1; k <= 1; ++k) {
    const double w = k == 0 ? 0.5 : 0.25;
    gx += w * (at(1, k) - at(-1, k)) / 2;
    gy += w * (at(k, 1) - at(k, -1)) / 2;
    hxx += w * (at(1, k) - 2 * at(0, k) + at(-1, k));
    hyy += w * (at(k, 1) - 2 * at(k, 0) + at(k, -1));
  }
  const double hxy = (at(1, 1) + at(-1, -1) - at(1, -1) - at(-1, 1)) / 4;
  // Along a lone line the top is a ridge: nothing is known in that direction, and nothing moved.
  constexpr double ridge = 0.04;  // of the curvature across it
  const double middle = -(hxx + hyy) / 2, half = std::hypot((hxx - hyy) / 2, hxy);
  const double strong = middle + half, weak = middle - half;
  if (!(strong > 1e-6)) return std::nullopt;
  const double angle = 0.5 * std::atan2(-2 * hxy, -(hxx - hyy));
  const cv::Vec2d across(std::cos(angle), std::sin(angle)), along(-across[1], across[0]);
  Top top;
  const double step = (gx * across[0] + gy * across[1]) / strong;
  cv::Vec2d offset = across * step;
  top.curvature = strong * (across * across.t());
  top.directions = 1;
  if (weak > ridge * strong) {
    offset += along * ((gx * along[0] + gy * along[1]) / weak);
    top.curvature += weak * (along * along.t());
    top.directions = 2;
  }
  top.offset = {offset[0], offset[1]};
  if (std::abs(top.offset.x) > 1 || std::abs(top.offset.y) > 1) return std::nullopt;
  if (bell) top.curvature *= best;
  return top;
}

std::array<double, 9> around(const cv::Mat1f& s, cv::Point c) {
  std::array<double, 9> v{};
  for (int j = -1; j <= 1; ++j)
    for (int i = -1; i <= 1; ++i)
      v[static_cast<std::size_t>(4 + 3 * j + i)] = static_cast<double>(s(c.y + j, c.x + i));
  return v;
}

// None at the border of the search or where it is not a hilltop.
std::optional<Peak> find_peak(const cv::Mat1f& s, double pull) {
  Peak peak;
  double best = -2;
  const int reach = s.cols / 2;
  for (int j = 0; j < s.rows; ++j)
    for (int i = 0; i < s.cols; ++i) {
      const double far = std::hypot(i - reach, j - reach) / reach;
      const double v = static_cast<double>(s(j, i)) - pull * far * far;
      if (v > best) {
        best = v;
        peak.at = {i, j};
      }
    }
  best = static_cast<double>(s(peak.at));
  const auto [x, y] = peak.at;
  if (x < 1 || y < 1 || x + 1 >= s.cols || y + 1 >= s.rows) return std::nullopt;
  const std::optional<Top> top = top_of(around(s, peak.at));
  if (!top) return std::nullopt;
  peak.offset = top->offset;
  peak.curvature = top->curvature;
  peak.directions = top->directions;
  peak.rho = best;
  // Height above the surface away from the peak itself.
  double sum = 0, square = 0;
  int n = 0;
  for (int j = 0; j < s.rows; ++j)
    for (int i = 0; i < s.cols; ++i) {
      if (std::abs(i - x) <= 2 && std::abs(j - y) <= 2) continue;
      const double v = s(j, i);
      sum += v;
      square += v * v;
      ++n;
    }
  if (n < 20) return std::nullopt;
  const double mean = sum / n;
  const double sd = std::sqrt(std::max(square / n - mean * mean, 1e-12));
  peak.z = (best - mean) / sd;
  return peak;
}

// H S^-1 H (see the header), and where the shared structure lies.
void inform(PatchMatch& match,
            const cv::Mat1f& patch,
            const Moments& own,
            const cv::Mat1f& found,
            const Peak& peak) {
  const Gradients g = gradients(patch, own.variance, found, moments(found).variance);
  const cv::Matx22d noise =
      g.energy * std::max(1 - peak.rho * peak.rho, 1e-3) + cv::Matx22d::eye() * 1e-9;
  match.info = peak.curvature * noise.inv() * peak.curvature * static_cast<double>(patch.total());
  match.seat = match.centre + g.middle;
}

void match_one(const cv::Mat1f& proof,
               const cv::Mat1f& drawing,
               const PatchRule& rule,
               PatchMatch& match) {
  const int half = rule.side_px / 2;
  const int x = static_cast<int>(match.centre.x), y = static_cast<int>(match.centre.y);
  const cv::Mat1f patch = proof(cv::Rect(x - half, y - half, rule.side_px, rule.side_px));
  const int wide = rule.side_px + 2 * rule.reach_px;
  const cv::Mat1f search =
      drawing(cv::Rect(x - half - rule.reach_px, y - half - rule.reach_px, wide, wide));
  const Moments own = moments(patch);
  const int reach = rule.reach_px;
  const cv::Mat1f middle = search(cv::Rect(reach, reach, rule.side_px, rule.side_px));
  match.structured =
      own.variance > rule.least_variance && moments(middle).variance > rule.least_variance;
  if (!match.structured) return;
  const cv::Mat1f surface = correlation(patch, own, search, rule.reach_px);
  const std::optional<Peak> peak = find_peak(surface, rule.pull);
  if (!peak) return;
  match.directions = peak->directions;
  match.rho = peak->rho;
  match.z = peak->z;
  match.shift = cv::Point2d(peak->at) - cv::Point2d(rule.reach_px, rule.reach_px) + peak->offset;
  const cv::Mat1f found = search(cv::Rect(peak->at, patch.size()));
  inform(match, patch, own, found, *peak);
  match.accepted = peak->rho >= rule.least_rho && peak->z >= rule.least_z;
}

// Centres with enough usable pixels under the patch and the search inside the picture.
std::vector<PatchMatch> lay_grid(const cv::Mat1b& usable,
                                 const PatchRule& rule,
                                 const cv::Rect& area) {
  cv::Mat1i count;
  cv::integral(usable & 1, count, CV_32S);  // 255 -> 1, so that large scans do not overflow
  const int half = rule.side_px / 2, margin = half + rule.reach_px;
  const cv::Rect inside(margin, margin, usable.cols - 2 * margin, usable.rows - 2 * margin);
  std::vector<PatchMatch> grid;
  if (inside.width <= 0 || inside.height <= 0) return grid;
  const int needed = static_cast<int>(rule.least_usable * rule.side_px * rule.side_px);
  // Centred in the area, so that mirrored or turned scans are treated alike.
  const int nx = std::max(0, (area.width - 1) / rule.step_px);
  const int ny = std::max(0, (area.height - 1) / rule.step_px);
  const int x0 = area.x + (area.width - 1 - nx * rule.step_px) / 2;
  const int y0 = area.y + (area.height - 1 - ny * rule.step_px) / 2;
  for (int j = 0; j <= ny; ++j)
    for (int i = 0; i <= nx; ++i) {
      const cv::Point c(x0 + i * rule.step_px, y0 + j * rule.step_px);
      if (!inside.contains(c)) continue;
      const int l = c.x - half, t = c.y - half, r = l + rule.side_px, b = t + rule.side_px;
      if (count(b, r) - count(t, r) - count(b, l) + count(t, l) < needed) continue;
      PatchMatch match;
      match.centre = c;
      grid.push_back(match);
    }
  return grid;
}

}  // namespace

std::vector<PatchMatch> match_patches(const cv::Mat1f& proof,
                                      const cv::Mat1f& drawing,
                                      const cv::Mat1b& usable,
                                      const PatchRule& rule,
                                      const cv::Rect& area,
                                      int threads) {
  assert(proof.size() == drawing.size() && proof.size() == usable.size());
  assert(rule.side_px % 2 == 1 && rule.reach_px >= 3 && rule.step_px >= 1);
  std::vector<PatchMatch> matches = lay_grid(usable, rule, area);
  in_parallel(static_cast<int>(matches.size()), threads, [&](int first, int last) {
    for (int k = first; k < last; ++k)
      match_one(proof, drawing, rule, matches[static_cast<std::size_t>(k)]);
  });
  return matches;
}

void refine_matches(const cv::Mat1f& proof,
                    const cv::Mat1f& drawing,
                    const PatchRule& rule,
                    std::vector<PatchMatch>& matches,
                    int threads) {
  const int half = rule.side_px / 2;
  in_parallel(static_cast<int>(matches.size()), threads, [&](int first, int last) {
    for (int k = first; k < last; ++k) {
      PatchMatch& match = matches[static_cast<std::size_t>(k)];
      if (!match.accepted) continue;
      match.accepted = false;
      const int x = static_cast<int>(match.centre.x), y = static_cast<int>(match.centre.y);
      const cv::Mat1f patch = proof(cv::Rect(x - half, y - half, rule.side_px, rule.side_px));
      const cv::Mat1f search =
          drawing(cv::Rect(x - half - 1, y - half - 1, rule.side_px + 2, rule.side_px + 2));
      const Moments own = moments(patch);
      const cv::Mat1f surface = correlation(patch, own, search, 1);
      const std::optional<Top> top = top_of(around(surface, {1, 1}));
      if (!top || static_cast<double>(surface(1, 1)) < rule.least_rho) continue;
      Peak peak;
      peak.curvature = top->curvature;
      peak.rho = static_cast<double>(surface(1, 1));
      match.directions = top->directions;
      match.rho = peak.rho;
      match.shift = top->offset;
      inform(match, patch, own, search(cv::Rect(1, 1, rule.side_px, rule.side_px)), peak);
      match.accepted = true;
    }
  });
}

}  // namespace rebite::align
