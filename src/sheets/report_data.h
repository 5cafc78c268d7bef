// The data object that the components of report/*.js take. The page sends the same object.
//
// {"title","units":{"length":"mm"|"in","mm_per_unit":1|25.4},
//  "plate":{"width_mm","height_mm"},
//  "maps":{                        tones and regions by place, print view, row by row from top left
//    "tone":{"cols","rows","first_mm","step_mm","from":-0.2,"step":0.01,"now":B64,"target":B64},
//                                  one byte a cell: density = from + step * byte; 255 = not seen;
//                                  cell (i, j) was read at first_mm + step_mm * (i, j)
//    "labels":{"cols","rows","px_per_mm","runs":B64}},
//                                  pairs (region id, run length) as LEB128 numbers
//  "regions":[{"id","action","look","stage","centre_mm":[x,y],"area_mm2",
//              "now","target","predicted" (numbers),
//              "after":[..],"after_text":[..]  tone after each dip, as many as stages (may be
//              empty)
//              "action_text","now_text","target_text","predicted_text","gap_text","area_text",
//              "time_text","guide_text" (rough time for free-hand work, or ""),
//              "advice" (all plain text), "outline" (SVG path, plate mm)}],
//  "stages":[{"number","dip_text","total_text","stop_out_before":[ids],"still_open":[ids]}],
//  "layers":[{"id","name","about","levels":[{"px_per_mm","width","height","tile","tiles":[url]}]}],
//  "curve":{..}|null, "histogram":{..}|null     report_plots.h
//  "pieces":{"defs","regions","stages","curve","histogram","gap_legend","alignment_legend",
//            "looks"}}                          HTML and SVG fragments, drawn without a script
#pragma once

#include <nlohmann/json_fwd.hpp>

#include "sheets/report_pictures.h"
#include "sheets/sheet_content.h"

namespace rebite::sheets {

struct DataParts {
  // report.html has the drawn pieces and outlines in its text already; the page wants them here.
  bool pieces = true;
};
nlohmann::ordered_json report_data(const SheetContent& c,
                                   const std::vector<PictureLayer>& layers,
                                   DataParts parts = {});
// The JSON as text that is safe inside <script> ("<" as "\u003c").
std::string script_safe(const nlohmann::ordered_json& data);

}  // namespace rebite::sheets
