// A plan with all that was measured for it, kept in a folder, so that it can be changed by hand in
// under a second without reading the scans again.
#pragma once

#include <filesystem>

#include "jobs/plan_state.h"
#include "jobs/tile_pyramid.h"

namespace rebite::jobs {

struct KeptPlan {
  std::filesystem::path folder;
  sheets::SheetContent content;  // as planned: revision 0. Without next_proof_scan
  plan::PlanOptions options;
  Notes context_notes;            // of scans, batch, book: not the plan's own
  std::vector<TileLevel> levels;  // of both pyramids, "proof" and "drawing" in the folder
  align::PlateMark mark;          // on the proof scan
  std::filesystem::path proof;    // the scan, for a next proof of its size
  ScanChoice read;
  double brush_mm = 4;
};

// Writes the folder whole (files in it are replaced). Refuses (io) a full disk; stopped.
Result<void> keep_plan(const std::filesystem::path& folder,
                       const PlanRequest& request,
                       const PlanSources& sources,
                       const sheets::SheetContent& content,
                       const Progress& progress = {});
// Refuses (no_input) where nothing is kept, (data) what is damaged or of another version.
Result<KeptPlan> kept_plan(const std::filesystem::path& folder);

}  // namespace rebite::jobs
