#include "align/plate_outline.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <vector>

namespace rebite::align {
namespace {

constexpr double kToneOnPaper = 0.012;  // density: plate tone of a clean wipe is about 0.03-0.05

int odd(double v) { return std::max(3, static_cast<int>(std::lround(v)) | 1); }

// Everything inside the outer contours, small things and thin tails (pencil notes) taken away.
cv::Mat1b printed_area(const Level& level) {
  cv::Mat1b mask;
  cv::Mat1f smooth;
  cv::GaussianBlur(level.density, smooth, {}, 0.35 * level.px_per_mm);
  mask = (cv::abs(smooth) > kToneOnPaper) & level.known;
  const int bridge = odd(3 * level.px_per_mm);
  // A frame of paper, so that closing does not join the print to the border.
  cv::copyMakeBorder(mask, mask, bridge, bridge, bridge, bridge, cv::BORDER_CONSTANT, 0);
  cv::morphologyEx(
      mask, mask, cv::MORPH_CLOSE, cv::getStructuringElement(cv::MORPH_ELLIPSE, {bridge, bridge}));
  mask = mask(cv::Rect(bridge, bridge, level.density.cols, level.density.rows)).clone();
  return mask;
}

bool touches_border(const cv::Rect& box, cv::Size size) {
  return box.x <= 1 || box.y <= 1 || box.br().x >= size.width - 1 || box.br().y >= size.height - 1;
}

// Filled outline of the largest thing that does not reach the border.
cv::Mat1b largest_inside(const cv::Mat1b& mask) {
  std::vector<std::vector<cv::Point>> contours;
  cv::findContours(mask, contours, cv::RETR_LIST, cv::CHAIN_APPROX_NONE);
  double largest = 0;
  const std::vector<cv::Point>* best = nullptr;
  for (const auto& c : contours) {
    if (touches_border(cv::boundingRect(c), mask.size())) continue;
    const double area = cv::contourArea(c);
    if (area > largest) {
      largest = area;
      best = &c;
    }
  }
  cv::Mat1b filled(mask.size(), static_cast<unsigned char>(0));
  if (best)
    cv::drawContours(filled, std::vector<std::vector<cv::Point>>{*best}, 0, 255, cv::FILLED);
  return filled;
}

double cross(cv::Point2d a, cv::Point2d b) { return a.x * b.y - a.y * b.x; }

// Smooth profile across a side at one place along it.
struct SideView {
  cv::Point2d from, along, inward;  // mm; unit vectors
  double length = 0;
};

constexpr double kReach = 6, kGrid = 0.05, kPiece = 2;  // mm: search, profile step, piece length
constexpr int kProfile = static_cast<int>(2 * kReach / kGrid) + 1;

double density_at(const Level& level, cv::Point2d mm) {
  const double x = mm.x * level.px_per_mm - 0.5, y = mm.y * level.px_per_mm - 0.5;
  const int i = static_cast<int>(std::floor(x)), j = static_cast<int>(std::floor(y));
  if (i < 0 || j < 0 || i + 1 >= level.density.cols || j + 1 >= level.density.rows) return 0;
  const double s = x - i, t = y - j;
  const cv::Mat1f& d = level.density;
  return (1 - t) * ((1 - s) * static_cast<double>(d(j, i)) + s * static_cast<double>(d(j, i + 1))) +
         t * ((1 - s) * static_cast<double>(d(j + 1, i)) +
              s * static_cast<double>(d(j + 1, i + 1)));
}

// Mean density over a piece of the side, from outside (-kReach) to inside (+kReach).
std::vector<double> profile_at(const Level& level, const SideView& side, double place) {
  std::vector<double> p(static_cast<std::size_t>(kProfile));
  const int samples = std::max(3, static_cast<int>(kPiece * level.px_per_mm));
  for (int k = 0; k < kProfile; ++k) {
    double sum = 0;
    for (int m = 0; m < samples; ++m) {
      const double a = place + kPiece * ((m + 0.5) / samples - 0.5);
      sum += density_at(level, side.from + side.along * a + side.inward * (k * kGrid - kReach));
    }
    p[static_cast<std::size_t>(k)] = sum / samples;
  }
  return p;
}

// How much like a plate's edge each place of a profile is: the rise of tone over half a
// millimetre (capped: a line of ink must not win over plate tone), less what stands outside of it.
std::vector<double> edge_score(const std::vector<double>& p) {
  const int half = static_cast<int>(0.25 / kGrid), far = static_cast<int>(3 / kGrid);
  const int gap = static_cast<int>(0.5 / kGrid);
  std::vector<double> integral(p.size() + 1), score(p.size(), -1.0);
  for (std::size_t k = 0; k < p.size(); ++k) integral[k + 1] = integral[k] + p[k];
  const auto mean = [&](int a, int b) {
    return (integral[static_cast<std::size_t>(b)] - integral[static_cast<std::size_t>(a)]) /
           (b - a);
  };
  for (int k = far; k + half < kProfile; ++k) {
    const double rise = mean(k, k + half) - mean(k - half, k);
    double stray = 0;
    for (int m = k - far; m < k - gap; m += 2)
      stray = std::max(stray, std::abs(p[static_cast<std::size_t>(m)]));
    score[static_cast<std::size_t>(k)] =
        std::min(rise, 0.05) - 1.5 * std::clamp(stray - 0.014, 0.0, 0.2);
  }
  return score;
}

// The path along the side that collects the most, moving little from piece to piece.
std::vector<int> best_path(const std::vector<std::vector<double>>& score) {
  const std::size_t n = score.size();
  constexpr int move = 4;  // profile steps: 0.2 mm for each piece of 2 mm
  std::vector<std::vector<double>> sum(n);
  std::vector<std::vector<int>> from(n);
  sum[0] = score[0];
  for (std::size_t i = 1; i < n; ++i) {
    sum[i].resize(static_cast<std::size_t>(kProfile));
    from[i].resize(static_cast<std::size_t>(kProfile));
    for (int k = 0; k < kProfile; ++k) {
      double best = -1e9;
      int origin = k;
      for (int m = std::max(0, k - move); m <= std::min(kProfile - 1, k + move); ++m) {
        const double v = sum[i - 1][static_cast<std::size_t>(m)] - 0.002 * std::abs(m - k);
        if (v > best) {
          best = v;
          origin = m;
        }
      }
      sum[i][static_cast<std::size_t>(k)] = best + score[i][static_cast<std::size_t>(k)];
      from[i][static_cast<std::size_t>(k)] = origin;
    }
  }
  std::vector<int> path(n);
  path[n - 1] =
      static_cast<int>(std::max_element(sum[n - 1].begin(), sum[n - 1].end()) - sum[n - 1].begin());
  for (std::size_t i = n - 1; i > 0; --i) path[i - 1] = from[i][static_cast<std::size_t>(path[i])];
  return path;
}

// Steepest rise near k, to a fraction of a step: the plate's rim.
double steepest(const std::vector<double>& p, int k, double px_mm) {
  const int half = std::max(1, static_cast<int>(std::lround(0.8 * px_mm / kGrid)));
  const int reach = static_cast<int>(0.35 / kGrid);
  const auto slope = [&](int m) {
    return p[static_cast<std::size_t>(std::clamp(m + half, 0, kProfile - 1))] -
           p[static_cast<std::size_t>(std::clamp(m - half, 0, kProfile - 1))];
  };
  double most = 0;
  for (int m = k - reach; m <= k + reach; ++m) most = std::max(most, slope(m));
  // The outermost of the rises that count: a drawn frame has the picture's darker tone behind it.
  int best = k - reach;
  while (best < k + reach && !(slope(best) > 0.35 * most && slope(best) >= slope(best - 1) &&
                               slope(best) >= slope(best + 1)))
    ++best;
  const double a = slope(best - 1), b = slope(best), c = slope(best + 1);
  const double bend = a - 2 * b + c;
  const double fraction = bend < -1e-9 ? std::clamp(0.5 * (a - c) / bend, -0.5, 0.5) : 0.0;
  return (best + fraction) * kGrid - kReach;
}

struct SidePoint {
  double along = 0, inward = 0;
  bool seen = false;
};

std::vector<SidePoint> follow_side(const Level& level, const SideView& side) {
  std::vector<SidePoint> points;
  std::vector<std::vector<double>> profiles, scores;
  const int n = std::max(4, static_cast<int>((side.length - 4) / kPiece));
  for (int i = 0; i < n; ++i) {
    const double place = 2 + (side.length - 4) * (i + 0.5) / n;
    profiles.push_back(profile_at(level, side, place));
    scores.push_back(edge_score(profiles.back()));
    points.push_back({place, 0, false});
  }
  const std::vector<int> path = best_path(scores);
  for (std::size_t i = 0; i < points.size(); ++i) {
    points[i].seen = scores[i][static_cast<std::size_t>(path[i])] > 0.006;
    points[i].inward = steepest(profiles[i], path[i], 1 / level.px_per_mm);
  }
  return points;
}

// inward = c0 + c1 a + c2 a^2 over the points near one end, robust (Tukey's biweight).
struct SideCurve {
  cv::Vec3d c;
  double sd = 0;  // of a point
  int used = 0;
};

SideCurve fit_end(const std::vector<SidePoint>& points, double end, double within) {
  SideCurve curve;
  std::vector<const SidePoint*> near;
  for (const SidePoint& p : points)
    if (p.seen && std::abs(p.along - end) <= within) near.push_back(&p);
  curve.used = static_cast<int>(near.size());
  if (near.size() < 5) return curve;
  std::vector<double> rest;
  for (const SidePoint* p : near) rest.push_back(p->inward);
  std::nth_element(
      rest.begin(), rest.begin() + static_cast<std::ptrdiff_t>(rest.size() / 2), rest.end());
  curve.c = {rest[rest.size() / 2], 0, 0};
  double scale = 1.0;
  for (int round = 0; round < 12; ++round) {
    cv::Matx33d normal = cv::Matx33d::eye() * 1e-9;
    cv::Vec3d right;
    for (const SidePoint* p : near) {
      const double a = (p->along - end) / within;
      const cv::Vec3d f(1, a, a * a);
      const double e = (p->inward - curve.c.dot(f)) / (4.7 * scale);
      const double w = std::abs(e) < 1 ? (1 - e * e) * (1 - e * e) : 0;
      normal += w * (f * f.t());
      right += w * p->inward * f;
    }
    // A quadratic needs its data; with few points the bend is held back.
    normal(2, 2) += near.size() < 10 ? 10 : 0.2;
    curve.c = normal.inv(cv::DECOMP_CHOLESKY) * right;
    rest.clear();
    for (const SidePoint* p : near) {
      const double a = (p->along - end) / within;
      rest.push_back(std::abs(p->inward - curve.c.dot(cv::Vec3d(1, a, a * a))));
    }
    std::nth_element(
        rest.begin(), rest.begin() + static_cast<std::ptrdiff_t>(rest.size() / 2), rest.end());
    scale = std::max(0.02, 1.4826 * rest[rest.size() / 2]);
  }
  curve.sd = scale;
  return curve;
}

cv::Point2d on_curve(
    const SideView& side, const SideCurve& curve, double end, double within, double along) {
  const double a = (along - end) / within;
  return side.from + side.along * along + side.inward * curve.c.dot(cv::Vec3d(1, a, a * a));
}

}  // namespace

std::optional<Corners> rough_outline(const Level& level) {
  cv::Mat1b filled = largest_inside(printed_area(level));
  const double scan_area = static_cast<double>(level.density.total());
  if (cv::countNonZero(filled) < 0.08 * scan_area) return std::nullopt;
  // Thin tails go: notes in the margin stand less than 10 mm high.
  const double side = std::sqrt(static_cast<double>(cv::countNonZero(filled)));
  const int tail = odd(std::min(10 * level.px_per_mm, 0.25 * side));
  cv::morphologyEx(
      filled, filled, cv::MORPH_OPEN, cv::getStructuringElement(cv::MORPH_ELLIPSE, {tail, tail}));
  std::vector<std::vector<cv::Point>> contours;
  cv::findContours(filled, contours, cv::RETR_EXTERNAL, cv::CHAIN_APPROX_NONE);
  if (contours.empty()) return std::nullopt;
  const auto largest = std::max_element(contours.begin(), contours.end(), [](auto& a, auto& b) {
    return cv::contourArea(a) < cv::contourArea(b);
  });
  std::vector<cv::Point> hull;
  cv::convexHull(*largest, hull);
  const cv::RotatedRect box = cv::minAreaRect(hull);
  const double box_area = static_cast<double>(box.size.area());
  if (cv::contourArea(hull) < 0.88 * box_area) return std::nullopt;
  cv::Point2f c[4];
  box.points(c);
  Corners corners;
  for (std::size_t k = 0; k < 4; ++k)
    corners[k] = (cv::Point2d(c[k]) + cv::Point2d(0.5, 0.5)) / level.px_per_mm;
  if (cross(corners[1] - corners[0], corners[2] - corners[1]) < 0)
    std::swap(corners[1], corners[3]);
  return corners;
}

std::optional<Outline> refine_outline(const Level& level, const Corners& rough) {
  std::array<SideView, 4> sides;
  std::array<std::vector<SidePoint>, 4> points;
  std::size_t seen = 0, tried = 0;
  for (std::size_t k = 0; k < 4; ++k) {
    SideView& side = sides[k];
    const cv::Point2d d = rough[(k + 1) % 4] - rough[k];
    side.length = cv::norm(d);
    if (side.length < 12) return std::nullopt;
    side.from = rough[k];
    side.along = d / side.length;
    side.inward = {-side.along.y, side.along.x};  // clockwise with y down: inside is to the right
    points[k] = follow_side(level, side);
    const auto n = static_cast<std::size_t>(
        std::count_if(points[k].begin(), points[k].end(), [](auto& p) { return p.seen; }));
    if (2 * n < points[k].size()) return std::nullopt;
    seen += n;
    tried += points[k].size();
  }
  Outline outline;
  outline.support = static_cast<double>(seen) / static_cast<double>(tried);
  for (std::size_t k = 0; k < 4; ++k)
    for (const SidePoint& p : points[k])
      if (p.seen)
        outline.sides[k].push_back(sides[k].from + sides[k].along * p.along +
                                   sides[k].inward * p.inward);
  double spread = 0;
  for (std::size_t k = 0; k < 4; ++k) {
    // Corner k: the start of side k and the end of the side before it.
    const SideView &next = sides[k], &last = sides[(k + 3) % 4];
    const double near_next = std::min(30.0, 0.5 * next.length);
    const double near_last = std::min(30.0, 0.5 * last.length);
    const SideCurve a = fit_end(points[k], 0, near_next);
    const SideCurve b = fit_end(points[(k + 3) % 4], last.length, near_last);
    if (a.used < 5 || b.used < 5) return std::nullopt;
    double s = 0, t = last.length;
    for (int round = 0; round < 30; ++round) {
      const cv::Point2d p = on_curve(next, a, 0, near_next, s);
      const cv::Point2d q = on_curve(last, b, last.length, near_last, t);
      s += (q - p).dot(next.along);
      t += (p - q).dot(last.along);
    }
    outline.corners[k] =
        (on_curve(next, a, 0, near_next, s) + on_curve(last, b, last.length, near_last, t)) * 0.5;
    spread += a.sd + b.sd;
  }
  outline.sd_mm = std::hypot(0.05, spread / 8);
  return outline;
}

}  // namespace rebite::align
