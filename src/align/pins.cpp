#include "align/pins.h"

#include <fmt/format.h>

#include <cmath>
#include <opencv2/calib3d.hpp>
#include <optional>

namespace rebite::align {
namespace {

constexpr double kFlatMm = 1.5;    // rms beyond which a flat sheet is doubted
constexpr double kAgreeMm = 0.75;  // rms of pins that agree: three times kPinSdMm

using Points = std::vector<cv::Point2d>;

struct AffineFit {
  cv::Matx33d map = cv::Matx33d::eye();
  double narrow_mm = 0;  // spread of the points across their own line, sd
  double rms_mm = 0;     // what it leaves at the points
};

AffineFit affine_through(const Points& from, const Points& to) {
  const auto n = static_cast<double>(from.size());
  cv::Point2d middle;
  for (const cv::Point2d& p : from) middle += p / n;
  cv::Matx33d normal = cv::Matx33d::zeros();
  cv::Vec3d rx, ry;
  for (std::size_t k = 0; k < from.size(); ++k) {
    const cv::Vec3d f(from[k].x - middle.x, from[k].y - middle.y, 1);
    normal += f * f.t();
    rx += to[k].x * f;
    ry += to[k].y * f;
  }
  AffineFit fit;
  const double trace = normal(0, 0) + normal(1, 1);
  const double det = normal(0, 0) * normal(1, 1) - normal(0, 1) * normal(0, 1);
  const double root = std::sqrt(std::max(0.0, trace * trace / 4 - det));
  fit.narrow_mm = std::sqrt(std::max(0.0, trace / 2 - root) / n);
  const cv::Matx33d inverse = normal.inv(cv::DECOMP_SVD);
  const cv::Vec3d x = inverse * rx, y = inverse * ry;
  fit.map = cv::Matx33d(x[0], x[1], x[2], y[0], y[1], y[2], 0, 0, 1) *
            cv::Matx33d(1, 0, -middle.x, 0, 1, -middle.y, 0, 0, 1);
  double square = 0;
  for (std::size_t k = 0; k < from.size(); ++k)
    square += std::pow(cv::norm(project(fit.map, from[k]) - to[k]), 2);
  fit.rms_mm = std::sqrt(square / n);
  return fit;
}

// The one pin without which all others agree on a flat sheet, if there is one. A slant would bend
// away two corners at least.
std::optional<Problem> one_wrong_pin(const Points& from, const Points& to) {
  if (from.size() < 6) return std::nullopt;
  std::size_t which = 0;
  double least = 1e9, off = 0;
  for (std::size_t k = 0; k < from.size(); ++k) {
    Points rest_from = from, rest_to = to;
    rest_from.erase(rest_from.begin() + static_cast<std::ptrdiff_t>(k));
    rest_to.erase(rest_to.begin() + static_cast<std::ptrdiff_t>(k));
    const AffineFit rest = affine_through(rest_from, rest_to);
    if (rest.rms_mm >= least) continue;
    least = rest.rms_mm;
    which = k;
    off = cv::norm(project(rest.map, from[k]) - to[k]);
  }
  if (least > kAgreeMm || off < 4 * kAgreeMm) return std::nullopt;
  return Problem{ProblemKind::data,
                 fmt::format("pin {} lies {:.1f} mm from where the other {} put it",
                             which + 1,
                             off,
                             from.size() - 1),
                 "Place that pair of points again, or leave it out."};
}

}  // namespace

Result<cv::Matx33d> map_from_pins(const std::vector<PinPair>& pins,
                                  const ScanScale& proof,
                                  const ScanScale& drawing) {
  if (pins.size() < 4)
    return refuse(ProblemKind::usage,
                  fmt::format("{} pins are given, four or more are needed", pins.size()),
                  "Add pins, well spread over the plate.");
  Points from, to;
  for (const PinPair& p : pins) {
    from.push_back(proof.mm(p.proof_px));
    to.push_back(drawing.mm(p.drawing_px));
  }
  const AffineFit flat = affine_through(from, to);
  if (flat.narrow_mm < 3)
    return refuse(ProblemKind::data,
                  fmt::format("the pins lie almost on one line (they spread {:.1f} mm across it, "
                              "3 mm are needed)",
                              flat.narrow_mm),
                  "Place pins in all corners of the picture.");
  if (flat.rms_mm > kAgreeMm)
    if (auto wrong = one_wrong_pin(from, to)) return std::unexpected(*std::move(wrong));
  if (flat.rms_mm > kFlatMm && pins.size() >= 5) {
    const cv::Mat h = cv::findHomography(from, to, 0);
    if (!h.empty()) return cv::Matx33d(h);
  }
  return flat.map;
}

std::vector<Measured> pins_as_data(const std::vector<PinPair>& pins,
                                   const cv::Matx33d& start,
                                   const ScanScale& proof,
                                   const ScanScale& drawing) {
  std::vector<Measured> data;
  const cv::Matx33d back = start.inv();
  for (const PinPair& p : pins) {
    Measured m;
    m.at = proof.mm(p.proof_px);
    const cv::Point2d u = project(back, drawing.mm(p.drawing_px)) - m.at;
    m.shift = {u.x, u.y};
    m.covariance = cv::Matx22d::eye() * (kPinSdMm * kPinSdMm);
    m.fixed = true;
    data.push_back(m);
  }
  return data;
}

}  // namespace rebite::align
