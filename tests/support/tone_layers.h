// What a sheet shows at a place of the plate: reflectance relative to paper, with grain and on
// average. Inside the plate makers' own use.
#pragma once

#include <algorithm>
#include <memory>
#include <opencv2/core.hpp>
#include <optional>
#include <vector>

#include "tests/support/grain.h"
#include "tests/support/plate_maker.h"
#include "tests/support/waves.h"

namespace rebite::maker {

// A map over the plate, any resolution, sampled bilinearly (pixel centres at half pixels).
class PlateMap {
 public:
  PlateMap() = default;
  PlateMap(const cv::Mat1f& map, SizeMm plate, float otherwise);
  float at(float x_mm, float y_mm) const;
  bool empty() const { return empty_; }

 private:
  cv::Mat1f map_;
  bool empty_ = true;
  float px_per_mm_x_ = 0, px_per_mm_y_ = 0, otherwise_ = 0;
};

// A sample on the sheet: where it lies on the plate, and the factor of wiping there (smooth and
// therefore computed sparsely by the caller).
struct SamplePlace {
  float x, y, wiping;
};

class ToneLayers {
 public:
  virtual ~ToneLayers() = default;
  // With grain: mean of n samples that lie within 0.1 mm. Only the grain is taken at each; tone
  // maps, lines and paint are smooth on that scale and taken at their middle.
  virtual float at(const SamplePlace* samples, int n) const = 0;
  // On average.
  virtual float mean_at(float x_mm, float y_mm, float wiping) const = 0;
  // What wiping and plate tone do to the reflectance of the print there.
  virtual double wiping(double x_mm, double y_mm) const = 0;
  // Along the plate's bevelled edge: wiped clean but for a film.
  virtual float bevel(float wiping) const = 0;
};

// A plate as inked and printed; rework may be null. Holds references: outlived by its arguments.
class PrintedPlate : public ToneLayers {
 public:
  PrintedPlate(const Plate&, const Impression&, const Rework*, double sample_mm);
  float at(const SamplePlace* samples, int n) const override;
  float mean_at(float x_mm, float y_mm, float wiping) const override;
  double wiping(double x_mm, double y_mm) const override;
  float bevel(float wiping) const override { return std::min(1.F, film_ * wiping); }

 private:
  // The bites through one ground.
  struct Ground {
    std::vector<PlateMap> minutes;
    std::vector<float> coverage;  // over sqrt(minutes), pits of this ground
    float per_root_minute = 0;
    float contrast = 1;
    std::unique_ptr<Grain> grain;
    std::optional<SoftEdge> edge;
    float coverage_at(float x_mm, float y_mm) const;
  };
  float finish(float land, float ink, float x_mm, float y_mm, float wiping) const;
  float ink_at(float x_mm, float y_mm) const;

  std::vector<Ground> grounds_;
  PlateMap lines_, burnish_, wash_, alpha_, paint_;
  float film_, mean_ink_, solid_, ink_error_;
  double plate_tone_, wiping_density_;
  std::uint64_t ink_seed_;
  Waves wiping_;
};

// A drawing of its own.
class DrawnSheet : public ToneLayers {
 public:
  DrawnSheet(const Plate& frame, const cv::Mat1f& density, const cv::Mat1f& lines);
  float at(const SamplePlace* samples, int n) const override;
  float mean_at(float x_mm, float y_mm, float) const override;
  double wiping(double, double) const override { return 1; }
  float bevel(float) const override { return 1; }

 private:
  PlateMap density_, lines_;
  float ink_;
};

SamplePlace middle(const SamplePlace* samples, int n);

// 10^-d, fast enough for every sample.
float reflectance(float density);

}  // namespace rebite::maker
