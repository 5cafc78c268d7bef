// A whole SheetContent drawn by hand for the tests of sheets and report: every region, number and
// picture is made here, none by the rooms that make them in earnest. Invented data: a canal lock in
// snow at dusk. Same options, same content, bit for bit.
#pragma once

#include <cstdint>

#include "scan/scanner_curve.h"
#include "sheets/sheet_content.h"

namespace rebite::maker {

struct ContentOptions {
  SizeMm plate{150, 110};
  double grid_px_per_mm = 4;     // of the labels and the tone maps
  double picture_px_per_mm = 4;  // of proof, drawing and next proof
  std::uint32_t seed = 7;
};

// The lock: about 18 regions with every action (bite over five stages, beyond, burnish, scrape,
// line, soft), hold between them, neighbours that share borders, a region inside another, posts of
// 3 mm. The scene is stretched to the plate. Every pointed and curved shape is in it.
sheets::SheetContent made_content(const ContentOptions& = {});

// One L-shaped bite region: its foot points to the RIGHT in print view. In mm, print view:
//   upright (40,20)-(55,90), foot (55,75)-(105,90) on a 150 x 110 mm plate (scaled otherwise).
sheets::SheetContent made_one_region(const ContentOptions& = {});

// `count` cells that share all borders (jittered grid, nearest seed) and fill the plate: no hold.
// Ids 11, 22, ... burnish and 17, 34, ... scrape; the others bite.
sheets::SheetContent made_many_regions(int count = 300, const ContentOptions& = {});

// Nothing to do: no regions, no stages.
sheets::SheetContent made_no_work(const ContentOptions& = {});

// The lock on a 600 x 400 mm plate.
sheets::SheetContent made_large_plate();

// The same plan without a wedge: no minutes, no stages, no batch.
sheets::SheetContent without_batch(sheets::SheetContent);

// The same plan where every bite needs less than the shortest dip: minutes, but no stages.
sheets::SheetContent without_stages(sheets::SheetContent);

// A batch with nine steps and a saturating curve, bands included.
wedge::Batch made_batch();

// A scanner's curve from 12 patches.
scan::ScannerCurve made_scanner();
scan::ScannerCurve made_colour_scanner();  // its channels differ

}  // namespace rebite::maker
