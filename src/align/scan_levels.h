// One scan in work: its scale, its levels made when first asked for, its plate mark.
#pragma once

#include <map>
#include <opencv2/core.hpp>
#include <optional>

#include "align/agreement_test.h"
#include "align/plate_outline.h"
#include "align/work_image.h"
#include "scan/density_image.h"

namespace rebite::align {

class ScanLevels {
 public:
  // `top_dpi`: the finest level that will be worked in; the scan is read at full size only once.
  ScanLevels(const scan::DensityImage& image, int threads);

  const ScanScale& scale() const { return scale_; }
  bool real_scale() const { return real_; }
  double finest() const { return std::min(scale_.x, scale_.y); }  // px/mm
  cv::Size2d size_mm() const;

  // The scan's millimetres become `factor` times longer: a wrong tag, no tag, or another scale of
  // drawing. Levels and outline are made anew.
  void rescale(double factor);
  double rescaled() const { return rescaled_; }

  // Density at px_per_mm (not finer than the scan).
  const Level& level(double px_per_mm);
  // The same with `grain` or `form` filled in, normalised over sigma_mm.
  const Level& with_grain(double px_per_mm, double sigma_mm);
  const Level& with_form(double px_per_mm, double blur_mm, double sigma_mm);
  void keep_only(double px_per_mm);  // frees all other levels
  // The same and nothing else any more: all other levels and this one's density are freed. The last
  // thing to ask for, because this is where a large pair needs the most memory.
  const Level& with_only_grain(double px_per_mm, double sigma_mm);

  const std::optional<Outline>& outline();
  // Picture on the pixels of a level (see PictureArea).
  PictureArea picture(double px_per_mm);

 private:
  const cv::Mat1f& base();  // reflectance at no more than 300 dpi

  const scan::DensityImage& image_;
  ScanScale scale_;
  bool real_ = true;
  int threads_ = 1;
  double rescaled_ = 1;
  cv::Mat1f base_;
  ScanScale base_scale_;
  Level& make(double px_per_mm);
  std::map<long, Level> levels_;  // by px per metre
  bool sought_ = false;
  std::optional<Outline> outline_;
};

}  // namespace rebite::align
