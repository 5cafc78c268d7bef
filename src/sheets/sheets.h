// The outputs of a plan, each as bytes. The caller writes them (files/write_folder).
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "sheets/sheet_content.h"

namespace rebite::sheets {

enum class Paper { a4, letter };

// interface.md; `beside` are the files written beside it, by name, each with its CRC-32 in hex.
std::string plan_json(const SheetContent&,
                      const std::vector<std::pair<std::string, std::string>>& beside = {});
std::string regions_png(const SheetContent&);  // 16-bit labels, print view
std::string map_png(const SheetContent&);      // regions over the proof, print view
std::string map_svg(const SheetContent&);
std::string next_proof_png(const SheetContent&);
struct BenchMapOptions {
  Paper paper = Paper::a4;
  bool transfer_sheet = false;  // outlines only, for tracing to the plate
  // What the printer makes of a true millimetre (measured length of the 100 mm rule / 100), 0.9 to
  // 1.1: the pages are drawn larger or smaller by as much, about the paper's middle.
  double printer_across = 1, printer_down = 1;
};
std::string bench_map_pdf(const SheetContent&, const BenchMapOptions& = {});  // plate view, 1:1
std::string report_html(const SheetContent&);

}  // namespace rebite::sheets
