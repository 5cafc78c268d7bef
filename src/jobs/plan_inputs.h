// What a plan may be told besides its scans: edits by hand, a mask, and the plan before.
#pragma once

#include <map>

#include "align/plate_pair.h"
#include "jobs/inputs.h"
#include "plan/plan_bites.h"

namespace rebite::jobs {

// Format "rebite-edit" version 1:
//   {"format":"rebite-edit","version":1,"regions":[{"id":3,"at_mm":[40,20],"action":"hold",
//    "density":0.8,"minutes":2.5}]}
// `id` names a region as in plan.json; `at_mm` (print view) finds the region again should numbers
// have changed, and wins over `id`. At least one of action, density (target), minutes is given.
struct RegionEdit {
  int id = 0;
  std::optional<PlateMm> at;
  plan::Edit edit;
};
// Refuses (data) unknown keys, actions and numbers out of range, naming them.
Result<std::vector<RegionEdit>> edits_from_json(std::string_view text, std::string_view name);
// Edits by region id for these labels. Edits that find no region become notes.
std::map<int, plan::Edit> edits_for(const std::vector<RegionEdit>& edits,
                                    const cv::Mat1w& labels,
                                    const align::PlateGrid& grid,
                                    Notes& notes);

// The mask in its own pixels: 255 = dark = leave alone. A picture as large as the proof scan lies on
// the proof; any other must have the plate's proportions (print view) within 2 %.
Result<cv::Mat1b> load_mask(const std::filesystem::path& file,
                            const scan::DensityImage& proof,
                            SizeMm plate);
// That mask brought into the grid. Refuses (data) a print.
Result<cv::Mat1b> leave_mask(const std::filesystem::path& file,
                             const cv::Mat1b& dark,
                             const scan::DensityImage& proof,
                             const align::PlateMark& mark,
                             const align::PlateGrid& grid);

// Labels of the plan that already lies in the folder, when they are of the same grid; else empty.
cv::Mat1w labels_before(const std::filesystem::path& folder, const align::PlateGrid& grid);

}  // namespace rebite::jobs
