#include "sheets/outlines.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <map>

namespace rebite::sheets {
namespace {

constexpr int outside = -1;
enum Side { east, south, west, north };  // the way a border is walked, the region on the right
constexpr int step_x[] = {1, 0, -1, 0};
constexpr int step_y[] = {0, 1, 0, -1};

using Corners = std::vector<cv::Point>;  // corners of pixels: (0,0) is the plate's top left corner

class Borders {
 public:
  explicit Borders(const cv::Mat1w& labels) : labels_(labels) {}

  int at(int x, int y) const {
    const bool in = x >= 0 && y >= 0 && x < labels_.cols && y < labels_.rows;
    return in ? labels_(y, x) : outside;
  }

  // Where a piece of border must end: three or more areas (or two twice) meet, or the plate's
  // corner.
  bool is_node(cv::Point c) const {
    const int tl = at(c.x - 1, c.y - 1), tr = at(c.x, c.y - 1);
    const int bl = at(c.x - 1, c.y), br = at(c.x, c.y);
    const int borders = (tl != tr) + (tr != br) + (br != bl) + (bl != tl);
    const bool plate_corner =
        (c.x == 0 || c.x == labels_.cols) && (c.y == 0 || c.y == labels_.rows);
    return borders > 2 || plate_corner;
  }

  // The closed walk along the border of pixel (x, y)'s region, from its upper side.
  Corners walk(int x, int y, std::vector<char>& seen) const {
    const int id = at(x, y);
    Corners out;
    cv::Point corner(x, y);
    int way = east;
    while (true) {
      if (way == east) {  // the pixel on the right of an eastward step starts at this corner
        char& mark = seen[index(corner.x, corner.y)];
        if (mark) break;
        mark = 1;
      }
      out.push_back(corner);
      corner += cv::Point(step_x[way], step_y[way]);
      const int right = (way + 1) % 4;
      if (ahead(corner, way, right) != id) {
        way = right;
      } else if (ahead(corner, way, (way + 3) % 4) == id) {
        way = (way + 3) % 4;
      }
    }
    return out;
  }

  std::size_t index(int x, int y) const {
    return static_cast<std::size_t>(y) * static_cast<std::size_t>(labels_.cols) +
           static_cast<std::size_t>(x);
  }

 private:
  // The label ahead of a corner, on the given side of the way.
  int ahead(cv::Point corner, int way, int side) const {
    const int dx = step_x[way] + step_x[side], dy = step_y[way] + step_y[side];
    return at(corner.x + (dx < 0 ? -1 : 0), corner.y + (dy < 0 ? -1 : 0));
  }

  const cv::Mat1w& labels_;
};

using Points = std::vector<cv::Point2d>;

// One pass of a Gaussian along the points. Open: ends mirrored through themselves, so they stay.
Points blurred(const Points& p, bool closed, double sigma) {
  const int n = static_cast<int>(p.size());
  const int reach = static_cast<int>(std::ceil(3 * sigma));
  const auto point = [&](int i) -> cv::Point2d {
    if (closed) return p[static_cast<std::size_t>(((i % n) + n) % n)];
    // Past an end: as if the border went on point-symmetrically.
    if (i < 0) return p.front() * 2 - p[static_cast<std::size_t>(std::min(-i, n - 1))];
    if (i >= n) return p.back() * 2 - p[static_cast<std::size_t>(std::max(2 * (n - 1) - i, 0))];
    return p[static_cast<std::size_t>(i)];
  };
  std::vector<double> weight;
  double weights = 0;
  for (int k = -reach; k <= reach; ++k) {
    weight.push_back(std::exp(-0.5 * k * k / (sigma * sigma)));
    weights += weight.back();
  }
  Points out(p.size());
  for (int i = 0; i < n; ++i) {
    cv::Point2d sum(0, 0);
    if (i >= reach && i + reach < n) {
      const cv::Point2d* from = &p[static_cast<std::size_t>(i - reach)];
      for (const double w : weight) sum += *from++ * w;
    } else {
      for (int k = -reach; k <= reach; ++k)
        sum += point(i + k) * weight[static_cast<std::size_t>(k + reach)];
    }
    out[static_cast<std::size_t>(i)] = sum * (1 / weights);
  }
  return out;
}

// 2g - g*g: takes the stairs out and keeps round shapes from shrinking.
Points evened(const Points& p, bool closed, double sigma) {
  const Points once = blurred(p, closed, sigma), twice = blurred(once, closed, sigma);
  Points out(p.size());
  for (std::size_t i = 0; i < p.size(); ++i) out[i] = once[i] * 2 - twice[i];
  return out;
}

// Shallow slants have long stairs that need a long reach, corners a short one: the long reach is
// taken where it stays within about a pixel of the border all along that reach, by a soft switch.
Points smoothed(const Points& p, bool closed, double sigma) {
  if (p.size() < 3 || sigma <= 0) return p;
  const Points near = evened(p, closed, sigma), far = evened(p, closed, 4 * sigma);
  Points share(p.size());  // x: of the long reach, 0..1
  const int n = static_cast<int>(p.size()), reach = static_cast<int>(std::ceil(12 * sigma));
  // How far the long reach strays, `reach` places more at both ends: on round a closed border,
  // nothing past the ends of an open one.
  std::vector<double> strays(p.size() + 2 * static_cast<std::size_t>(reach), 0.0);
  for (int i = 0; i < n; ++i) {
    const auto at = static_cast<std::size_t>(i);
    strays[at + static_cast<std::size_t>(reach)] = cv::norm(far[at] - p[at]);
  }
  for (int k = 1; closed && k <= reach; ++k) {
    const int before = ((-k % n) + n) % n, after = (k - 1) % n;
    strays[static_cast<std::size_t>(reach - k)] = strays[static_cast<std::size_t>(reach + before)];
    strays[static_cast<std::size_t>(reach + n - 1 + k)] =
        strays[static_cast<std::size_t>(reach + after)];
  }
  for (int i = 0; i < n; ++i) {
    const auto from = strays.begin() + i;
    const double worst = *std::max_element(from, from + 2 * reach + 1);
    share[static_cast<std::size_t>(i)].x = std::clamp((1.1 - worst) / 0.3, 0.0, 1.0);
  }
  share = blurred(share, closed, sigma);
  Points out(p.size());
  for (std::size_t i = 0; i < p.size(); ++i) {
    const double w = std::clamp(share[i].x, 0.0, 1.0);
    out[i] = far[i] * w + near[i] * (1 - w);
  }
  if (!closed) {
    out.front() = p.front();
    out.back() = p.back();
  }
  return out;
}

double distance_to_chord(cv::Point2d p, cv::Point2d a, cv::Point2d b) {
  const cv::Point2d ab = b - a, ap = p - a;
  const double length = std::hypot(ab.x, ab.y);
  if (length == 0) return std::hypot(ap.x, ap.y);
  return std::abs(ab.x * ap.y - ab.y * ap.x) / length;
}

// Marks what to keep between two kept points.
void simplify(
    const Points& p, std::size_t from, std::size_t to, double tolerance, std::vector<char>& keep) {
  double worst = tolerance;
  std::size_t at = 0;
  for (std::size_t i = from + 1; i < to; ++i) {
    const double d = distance_to_chord(p[i], p[from], p[to]);
    if (d > worst) {
      worst = d;
      at = i;
    }
  }
  if (at == 0) return;
  keep[at] = 1;
  simplify(p, from, at, tolerance, keep);
  simplify(p, at, to, tolerance, keep);
}

Points simplified(const Points& p, double tolerance) {
  if (p.size() < 3) return p;
  std::vector<char> keep(p.size(), 0);
  keep.front() = keep.back() = 1;
  // A closed piece has both ends at one place: the farthest point from it is kept as well.
  std::size_t far = 0;
  double best = 0;
  for (std::size_t i = 1; i + 1 < p.size(); ++i) {
    const double d = cv::norm(p[i] - p.front());
    if (d > best) {
      best = d;
      far = i;
    }
  }
  if (far > 0 && cv::norm(p.front() - p.back()) < best) {
    keep[far] = 1;
    simplify(p, 0, far, tolerance, keep);
    simplify(p, far, p.size() - 1, tolerance, keep);
  } else {
    simplify(p, 0, p.size() - 1, tolerance, keep);
  }
  Points out;
  for (std::size_t i = 0; i < p.size(); ++i)
    if (keep[i]) out.push_back(p[i]);
  return out;
}

bool before(cv::Point a, cv::Point b) { return a.y != b.y ? a.y < b.y : a.x < b.x; }

class Maker {
 public:
  Maker(const cv::Mat1w& labels, double px_per_mm, SizeMm plate, const OutlineOptions& options)
      : borders_(labels), size_(labels.size()), k_(px_per_mm), plate_(plate), options_(options) {}

  Ring ring(const Corners& loop) const {
    const auto n = loop.size();
    std::size_t first = n;
    for (std::size_t i = 0; i < n && first == n; ++i)
      if (borders_.is_node(loop[i])) first = i;
    if (first == n) return closed_ring(loop);
    Ring out;
    Corners piece{loop[first]};
    for (std::size_t i = 1; i <= n; ++i) {
      const cv::Point c = loop[(first + i) % n];
      piece.push_back(c);
      if (!borders_.is_node(c)) continue;
      const Points p = open_piece(piece);
      for (std::size_t j = 0; j + 1 < p.size(); ++j) out.push_back({p[j].x, p[j].y});
      piece = {c};
    }
    return out;
  }

 private:
  cv::Point2d mm(cv::Point2d corner) const {
    return {std::min(corner.x / k_, plate_.width), std::min(corner.y / k_, plate_.height)};
  }

  bool on_plate_edge(cv::Point a, cv::Point b) const {
    return (a.x == b.x && (a.x == 0 || a.x == size_.width)) ||
           (a.y == b.y && (a.y == 0 || a.y == size_.height));
  }

  // The same points for both neighbours: always worked on in the same direction.
  Points open_piece(Corners corners) const {
    const bool same_ends = corners.front() == corners.back();
    const bool turn = same_ends ? before(corners[corners.size() - 2], corners[1])
                                : before(corners.back(), corners.front());
    if (turn) std::reverse(corners.begin(), corners.end());
    Points p;
    if (on_plate_edge(corners[0], corners[1])) {
      p = {mm(corners.front()), mm(corners.back())};
    } else {
      Points middles{corners.front()};
      for (std::size_t i = 0; i + 1 < corners.size(); ++i)
        middles.push_back((cv::Point2d(corners[i]) + cv::Point2d(corners[i + 1])) * 0.5);
      middles.emplace_back(corners.back());
      p = smoothed(middles, false, options_.smooth_px);
      for (auto& q : p) q = mm(q);
      p = simplified(p, options_.tolerance_mm);
    }
    if (turn) std::reverse(p.begin(), p.end());
    return p;
  }

  Ring closed_ring(const Corners& loop) const {
    const auto n = loop.size();
    const auto start =
        static_cast<std::size_t>(std::min_element(loop.begin(), loop.end(), before) - loop.begin());
    const bool turn = before(loop[(start + n - 1) % n], loop[(start + 1) % n]);
    Points p;
    for (std::size_t i = 0; i < n; ++i) {
      const auto a = loop[(start + (turn ? n - i : i)) % n];
      const auto b = loop[(start + (turn ? 2 * n - i - 1 : i + 1)) % n];
      p.push_back((cv::Point2d(a) + cv::Point2d(b)) * 0.5);
    }
    p = smoothed(p, true, options_.smooth_px);
    for (auto& q : p) q = mm(q);
    p.push_back(p.front());
    p = simplified(p, options_.tolerance_mm);
    p.pop_back();
    if (turn) std::reverse(p.begin(), p.end());
    Ring out;
    for (const auto& q : p) out.push_back({q.x, q.y});
    return out;
  }

  Borders borders_;
  cv::Size size_;
  double k_;
  SizeMm plate_;
  OutlineOptions options_;
};

// What of a ring lies where inside(point) >= 0, a straight line's side: the distance from it.
template <class Inside>
Ring cut_at_line(const Ring& ring, const Inside& inside) {
  Ring out;
  for (std::size_t i = 0; i < ring.size(); ++i) {
    const PlateMm &a = ring[i], &b = ring[i + 1 < ring.size() ? i + 1 : 0];
    const double of_a = inside(a), of_b = inside(b);
    if (of_a >= 0) out.push_back(a);
    if ((of_a >= 0) == (of_b >= 0)) continue;
    const double t = of_a / (of_a - of_b);
    out.push_back({a.x + t * (b.x - a.x), a.y + t * (b.y - a.y)});
  }
  return out;
}

}  // namespace

std::vector<Outline> cut_to_box(const std::vector<Outline>& outlines, PlateMm low, PlateMm high) {
  std::vector<Outline> out;
  for (const Outline& whole : outlines) {
    Outline left{whole.id, {}};
    for (const Ring& ring : whole.rings) {
      const auto [west, east] = std::minmax_element(
          ring.begin(), ring.end(), [](const PlateMm& a, const PlateMm& b) { return a.x < b.x; });
      const auto [north, south] = std::minmax_element(
          ring.begin(), ring.end(), [](const PlateMm& a, const PlateMm& b) { return a.y < b.y; });
      if (ring.empty() || east->x < low.x || west->x > high.x || south->y < low.y ||
          north->y > high.y)
        continue;
      Ring cut = ring;
      if (west->x < low.x) cut = cut_at_line(cut, [&](const PlateMm& p) { return p.x - low.x; });
      if (east->x > high.x) cut = cut_at_line(cut, [&](const PlateMm& p) { return high.x - p.x; });
      if (north->y < low.y) cut = cut_at_line(cut, [&](const PlateMm& p) { return p.y - low.y; });
      if (south->y > high.y) cut = cut_at_line(cut, [&](const PlateMm& p) { return high.y - p.y; });
      if (cut.size() >= 3) left.rings.push_back(std::move(cut));
    }
    if (!left.rings.empty()) out.push_back(std::move(left));
  }
  return out;
}

std::vector<Outline> outlines(const cv::Mat1w& labels,
                              double px_per_mm,
                              SizeMm plate,
                              const OutlineOptions& options) {
  assert(px_per_mm > 0);
  const Borders borders(labels);
  const Maker maker(labels, px_per_mm, plate, options);
  std::vector<char> seen(labels.total(), 0);
  std::map<int, Outline> by_id;
  for (int y = 0; y < labels.rows; ++y) {
    for (int x = 0; x < labels.cols; ++x) {
      const int id = labels(y, x);
      if (borders.at(x, y - 1) == id || seen[borders.index(x, y)]) continue;
      Ring ring = maker.ring(borders.walk(x, y, seen));
      if (ring.size() < 3) continue;  // simplified away: smaller than the tolerance
      by_id[id].id = id;
      by_id[id].rings.push_back(std::move(ring));
    }
  }
  std::vector<Outline> out;
  for (auto& [id, outline] : by_id) out.push_back(std::move(outline));
  return out;
}

}  // namespace rebite::sheets
