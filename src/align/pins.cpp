#include "align/pins.h"

#include <fmt/format.h>

#include <cmath>
#include <opencv2/calib3d.hpp>

namespace rebite::align {

Result<cv::Matx33d> map_from_pins(const std::vector<PinPair>& pins,
                                  const ScanScale& proof,
                                  const ScanScale& drawing) {
  if (pins.size() < 4)
    return refuse(ProblemKind::usage,
                  fmt::format("{} pins are given, four or more are needed", pins.size()),
                  "Add pins, well spread over the plate.");
  std::vector<cv::Point2d> from, to;
  cv::Point2d middle;
  for (const PinPair& p : pins) {
    from.push_back(proof.mm(p.proof_px));
    to.push_back(drawing.mm(p.drawing_px));
    middle += from.back() / static_cast<double>(pins.size());
  }
  cv::Matx33d normal = cv::Matx33d::zeros();
  cv::Vec3d rx, ry;
  for (std::size_t k = 0; k < from.size(); ++k) {
    const cv::Vec3d f(from[k].x - middle.x, from[k].y - middle.y, 1);
    normal += f * f.t();
    rx += to[k].x * f;
    ry += to[k].y * f;
  }
  // Smaller spread of the pins, in mm (sd across their own line).
  const double trace = normal(0, 0) + normal(1, 1);
  const double det = normal(0, 0) * normal(1, 1) - normal(0, 1) * normal(0, 1);
  const double narrow =
      std::sqrt(std::max(0.0, trace / 2 - std::sqrt(std::max(0.0, trace * trace / 4 - det))) /
                static_cast<double>(pins.size()));
  if (narrow < 3)
    return refuse(ProblemKind::data,
                  fmt::format("the pins lie almost on one line (they spread {:.1f} mm across it, "
                              "3 mm are needed)",
                              narrow),
                  "Place pins in all corners of the picture.");
  const cv::Matx33d inverse = normal.inv(cv::DECOMP_SVD);
  const cv::Vec3d x = inverse * rx, y = inverse * ry;
  const cv::Matx33d affine = cv::Matx33d(x[0], x[1], x[2], y[0], y[1], y[2], 0, 0, 1) *
                             cv::Matx33d(1, 0, -middle.x, 0, 1, -middle.y, 0, 0, 1);
  double square = 0;
  for (std::size_t k = 0; k < from.size(); ++k)
    square += std::pow(cv::norm(project(affine, from[k]) - to[k]), 2);
  if (std::sqrt(square / static_cast<double>(from.size())) > 1.5 && pins.size() >= 5) {
    const cv::Mat h = cv::findHomography(from, to, 0);
    if (!h.empty()) return cv::Matx33d(h);
  }
  return affine;
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
