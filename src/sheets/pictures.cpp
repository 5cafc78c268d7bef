// Pictures that are shown as they are.
#include "scan/write_scan.h"
#include "sheets/sheets.h"

namespace rebite::sheets {

std::string regions_png(const SheetContent& c) {
  return scan::png_bytes(c.map.labels, c.map.grid.px_per_mm);
}

std::string next_proof_png(const SheetContent& c) {
  return scan::png_bytes(c.next_proof_scan, c.next_proof_px_per_mm, scan::PngContent::grain);
}

}  // namespace rebite::sheets
