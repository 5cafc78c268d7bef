// The map from proof to drawing: a projective start after a smooth displacement.
#pragma once

#include <opencv2/core.hpp>

#include "align/alignment.h"
#include "align/spline_field.h"

namespace rebite::align {

// Scan pixels to millimetres of the paper and back, from the outer edge of pixel 0:
// mm = (px + 0.5) / px_per_mm.
struct ScanScale {
  double x = 1, y = 1;  // px per mm
  cv::Point2d mm(cv::Point2d px) const { return {(px.x + 0.5) / x, (px.y + 0.5) / y}; }
  cv::Point2d px(cv::Point2d mm) const { return {mm.x * x - 0.5, mm.y * y - 0.5}; }
};

// A projective map applied to a place.
cv::Point2d project(const cv::Matx33d& map, cv::Point2d at);
// Its derivative there.
cv::Matx22d project_slope(const cv::Matx33d& map, cv::Point2d at);

// drawing mm = start(p + u(p)) for proof mm p, with u = stiff + fine, all in mm of the proof.
struct SmoothMap {
  cv::Matx33d start = cv::Matx33d::eye();
  SplineField stiff, fine;

  cv::Vec2d shift(cv::Point2d proof_mm) const { return stiff.at(proof_mm) + fine.at(proof_mm); }
  cv::Matx22d shift_slope(cv::Point2d proof_mm) const {
    return stiff.slope_at(proof_mm) + fine.slope_at(proof_mm);
  }
  cv::Point2d forward(cv::Point2d proof_mm) const;
  cv::Point2d backward(cv::Point2d drawing_mm) const;  // Newton, to 1e-10 mm
};

class SplineWarp : public Warp {
 public:
  SplineWarp(SmoothMap map, ScanScale proof, ScanScale drawing)
      : map_(std::move(map)), proof_(proof), drawing_(drawing) {}
  cv::Point2d drawing_from_proof(cv::Point2d proof_px) const override {
    return drawing_.px(map_.forward(proof_.mm(proof_px)));
  }
  cv::Point2d proof_from_drawing(cv::Point2d drawing_px) const override {
    return proof_.px(map_.backward(drawing_.mm(drawing_px)));
  }

 private:
  SmoothMap map_;
  ScanScale proof_, drawing_;
};

}  // namespace rebite::align
