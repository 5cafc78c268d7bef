// Gap map and regions of a pair in the plate's frame.
#pragma once

#include <opencv2/core.hpp>

#include "align/plate_pair.h"
#include "tone/regions.h"
#include "units/progress.h"

namespace rebite::tone {

struct RegionOptions {
  double brush_mm = 4;        // nothing narrower can be stopped out
  cv::Mat1b leave;            // same grid; 255 = leave alone; may be empty
  scan::ToneDoubt doubt;      // of the scans' tone chain (the larger of the two)
  cv::Mat1w previous_labels;  // same grid: regions keep their numbers; may be empty
  std::vector<cv::Mat1f>
      further_impressions;  // of the proof's state, same grid, same relative unit
};

struct RegionMap {
  align::PlateGrid grid;
  cv::Mat1w labels;             // region id; 0 = hold
  std::vector<Region> regions;  // ids as in labels; sorted by id; no still regions
  Inking inking;
  cv::Mat1f now;     // density of the proof (inking taken out), smoothed over grain
  cv::Mat1f target;  // density of the drawing, same smoothing
  cv::Mat1f gap;     // target - now
  Notes notes;
};

// Refuses (data): nothing of the plate was seen.
Result<RegionMap> find_regions(const align::PlatePair& pair,
                               const RegionOptions&,
                               const Progress& = {});

}  // namespace rebite::tone
