#include "sheets/label_places.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <string>

namespace rebite::sheets {
namespace {

struct Piece {
  cv::Rect bounds;      // of the region, one pixel of frame included
  cv::Mat1b mask;       // in bounds
  cv::Mat1f inside_px;  // distance to the border
  PlateMm pole;
  double radius_mm = 0;
};

std::map<int, cv::Rect> bounds_of(const cv::Mat1w& labels) {
  struct Extent {
    int left = std::numeric_limits<int>::max(), right = -1, top = left, bottom = -1;
  };
  std::vector<Extent> extents(65536);
  for (int y = 0; y < labels.rows; ++y) {
    const ushort* row = labels[y];
    for (int x = 0; x < labels.cols;) {
      const int from = x, id = row[x];
      while (x < labels.cols && row[x] == id) ++x;  // a run of one region
      if (id == 0) continue;
      Extent& e = extents[static_cast<std::size_t>(id)];
      e.left = std::min(e.left, from);
      e.right = std::max(e.right, x - 1);
      e.top = std::min(e.top, y);
      e.bottom = y;
    }
  }
  std::map<int, cv::Rect> out;
  for (std::size_t id = 0; id < extents.size(); ++id) {
    const Extent& e = extents[id];
    if (e.bottom >= 0)
      out[static_cast<int>(id)] = {e.left, e.top, e.right - e.left + 1, e.bottom - e.top + 1};
  }
  return out;
}

double digits(int id) { return static_cast<double>(std::to_string(id).size()); }

class Placer {
 public:
  Placer(const cv::Mat1w& labels, double k, SizeMm plate, const LabelOptions& o)
      : labels_(labels), k_(k), plate_(plate), o_(o) {}

  Piece piece(int id, const cv::Rect& bounds) const {
    Piece p;
    p.bounds = cv::Rect(bounds.x - 1, bounds.y - 1, bounds.width + 2, bounds.height + 2);
    p.mask = cv::Mat1b::zeros(p.bounds.size());
    cv::Mat inner = p.mask(cv::Rect(1, 1, bounds.width, bounds.height));
    cv::compare(labels_(bounds), id, inner, cv::CMP_EQ);
    cv::distanceTransform(p.mask, p.inside_px, cv::DIST_L2, cv::DIST_MASK_PRECISE);
    double far = 0;
    cv::Point at;
    cv::minMaxLoc(p.inside_px, nullptr, &far, nullptr, &at);
    p.pole = mm(p, at);
    p.radius_mm = far / k_;
    return p;
  }

  LabelPlace sized(int id, double size) const {
    LabelPlace l;
    l.id = id;
    l.size_mm = size;
    l.width_mm = digits(id) * o_.digit_em * size + 2 * o_.pad_mm;
    l.height_mm = o_.capital_em * size + 2 * o_.pad_mm;
    return l;
  }

  // Inside: the box fits wholly, as far from the border as it can; largest letters first.
  bool inside(int id, const Piece& p, double from, double to, LabelPlace& out) {
    for (double size = from; size >= to * 0.999; size *= 0.88) {
      const LabelPlace l = sized(id, size);
      const int w = 2 * static_cast<int>(std::ceil(l.width_mm * k_ / 2)) + 1;
      const int h = 2 * static_cast<int>(std::ceil(l.height_mm * k_ / 2)) + 1;
      if (w > p.bounds.width || h > p.bounds.height) continue;
      // A box reaches no place nearer to the border than half its shorter side.
      const int half = (std::min(w, h) + 1) / 2;  // both are odd
      if (p.radius_mm * k_ < half - 0.01) continue;
      cv::Mat1b fits;
      cv::erode(p.mask,
                fits,
                cv::getStructuringElement(cv::MORPH_RECT, {w, h}),
                {-1, -1},
                1,
                cv::BORDER_CONSTANT,
                cv::Scalar(0));
      double best = 0;
      cv::Point at;
      cv::minMaxLoc(p.inside_px, nullptr, &best, nullptr, &at, fits);
      if (cv::countNonZero(fits) == 0) continue;
      out = l;
      out.at = out.anchor = mm(p, at);
      if (!free(out)) continue;
      placed_.push_back(out);
      return true;
    }
    return false;
  }

  void keep_clear(std::vector<PlateMm> anchors) { anchors_ = std::move(anchors); }

  // Outside: on rings of growing width round the region, the first free place with the least cost.
  bool outside(int id, const Piece& p, double farthest, LabelPlace& out) {
    LabelPlace l = sized(id, o_.leader_mm);
    l.leader = true;
    l.anchor = p.pole;

    for (double r = p.radius_mm + 0.6 * l.height_mm + 1; r < farthest; r += 0.8) {
      double least = 1e300;
      for (int i = 0; i < 32; ++i) {
        const double a = std::numbers::pi * (2 * i / 32.0 + 0.25);
        l.at = {p.pole.x + (r + 0.3 * l.width_mm) * std::cos(a), p.pole.y + r * std::sin(a)};
        if (!on_plate(l) || !free(l)) continue;
        const double c = cost(l);
        if (c < least) {
          least = c;
          out = l;
        }
      }
      if (least < 1e300) {
        placed_.push_back(out);
        return true;
      }
    }
    return false;
  }

 private:
  PlateMm mm(const Piece& p, cv::Point at) const {
    return {(p.bounds.x + at.x + 0.5) / k_, (p.bounds.y + at.y + 0.5) / k_};
  }

  bool on_plate(const LabelPlace& l) const {
    const double x = l.width_mm / 2 + 0.5, y = l.height_mm / 2 + 0.5;
    return l.at.x >= x && l.at.y >= y && l.at.x <= plate_.width - x && l.at.y <= plate_.height - y;
  }

  static bool overlap(const LabelPlace& a, const LabelPlace& b) {
    return std::abs(a.at.x - b.at.x) < (a.width_mm + b.width_mm) / 2 &&
           std::abs(a.at.y - b.at.y) < (a.height_mm + b.height_mm) / 2;
  }

  // Does the leader of `a` run over the box of `b`? (sampled every 0.4 mm)
  static bool runs_over(const LabelPlace& a, const LabelPlace& b) {
    if (!a.leader) return false;
    const double dx = a.anchor.x - a.at.x, dy = a.anchor.y - a.at.y;
    const int n = static_cast<int>(std::hypot(dx, dy) / 0.4) + 1;
    for (int i = 0; i <= n; ++i) {
      const double x = a.at.x + dx * i / n, y = a.at.y + dy * i / n;
      if (std::abs(x - b.at.x) < b.width_mm / 2 && std::abs(y - b.at.y) < b.height_mm / 2)
        return true;
    }
    return false;
  }

  static double side(PlateMm a, PlateMm b, PlateMm c) {
    return (b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x);
  }
  static bool cross(const LabelPlace& a, const LabelPlace& b) {
    if (!a.leader || !b.leader) return false;
    return side(a.at, a.anchor, b.at) * side(a.at, a.anchor, b.anchor) < 0 &&
           side(b.at, b.anchor, a.at) * side(b.at, b.anchor, a.anchor) < 0;
  }

  // No number may lie on the place that another one's leader points at.
  bool covers_anchor(const LabelPlace& l) const {
    return std::any_of(anchors_.begin(), anchors_.end(), [&](PlateMm a) {
      return std::abs(l.at.x - a.x) < l.width_mm / 2 + 0.3 &&
             std::abs(l.at.y - a.y) < l.height_mm / 2 + 0.3;
    });
  }

  bool free(const LabelPlace& l) const {
    if (covers_anchor(l)) return false;
    return std::none_of(placed_.begin(), placed_.end(), [&](const LabelPlace& other) {
      return overlap(l, other) || runs_over(l, other) || runs_over(other, l) || cross(l, other);
    });
  }

  // Better over hold than over another region; better over one area than across a border.
  double cost(const LabelPlace& l) const {
    int own = -1, hold = 0, all = 0, mixed = 0;
    for (double y = -0.5; y <= 0.5; y += 0.25) {
      for (double x = -0.5; x <= 0.5; x += 0.25) {
        const int px = static_cast<int>((l.at.x + x * l.width_mm) * k_);
        const int py = static_cast<int>((l.at.y + y * l.height_mm) * k_);
        const int id =
            labels_(std::clamp(py, 0, labels_.rows - 1), std::clamp(px, 0, labels_.cols - 1));
        if (own < 0) own = id;
        mixed += id != own;
        hold += id == 0;
        ++all;
      }
    }
    return (all - hold) + 2.0 * mixed;
  }

  const cv::Mat1w& labels_;
  double k_;
  SizeMm plate_;
  LabelOptions o_;
  std::vector<PlateMm> anchors_;
  std::vector<LabelPlace> placed_;
};

}  // namespace

std::vector<LabelPlace> label_places(const cv::Mat1w& labels,
                                     double px_per_mm,
                                     SizeMm plate,
                                     const std::vector<int>& ids,
                                     const LabelOptions& options) {
  Placer placer(labels, px_per_mm, plate, options);
  const auto bounds = bounds_of(labels);
  std::vector<LabelPlace> out;
  std::vector<std::pair<int, Piece>> left;
  for (const int id : ids) {
    const auto it = bounds.find(id);
    if (it == bounds.end()) continue;
    Piece p = placer.piece(id, it->second);
    LabelPlace l;
    if (placer.inside(id, p, options.size_mm, options.smallest_mm, l)) {
      out.push_back(l);
    } else {
      left.emplace_back(id, std::move(p));
    }
  }
  std::vector<PlateMm> anchors;
  for (const auto& [id, p] : left) anchors.push_back(p.pole);
  placer.keep_clear(anchors);
  const double near = 8 * options.leader_mm, far = std::max(plate.width, plate.height);
  for (const auto& [id, p] : left) {
    LabelPlace l;
    // Beside the region; else small letters inside; else wherever there is room.
    if (placer.outside(id, p, near, l) ||
        placer.inside(id, p, options.smallest_mm, 0.5 * options.smallest_mm, l) ||
        placer.outside(id, p, far, l)) {
      out.push_back(l);
    }
  }
  std::sort(out.begin(), out.end(), [](const auto& a, const auto& b) { return a.id < b.id; });
  return out;
}

}  // namespace rebite::sheets
