#include <fmt/format.h>

#include <CLI/CLI.hpp>

#include "cli/command.h"
#include "jobs/align_scans.h"
#include "units/parse.h"

namespace rebite::cli {
namespace {

struct AlignOptions {
  jobs::AlignRequest request;
  std::string plate;
  bool json = false;
};

std::string as_text(const jobs::AlignReport& report) {
  const auto& a = report.alignment;
  std::string text =
      fmt::format("The drawing lies turned by {:.2f} degrees{}, scale {:.4f} x {:.4f}.\n",
                  a.rotation_deg,
                  a.mirrored ? " and mirrored" : "",
                  a.scale_x,
                  a.scale_y);
  if (a.error) {
    text += fmt::format("They match within {:.3f} mm (median), {:.3f} mm (19 places of 20).\n",
                        a.error->median,
                        a.error->p95);
  }
  text += fmt::format("Agreement {:.0f} %{}.\n",
                      100 * a.agreement,
                      a.doubtful ? ": doubtful, look at the picture before you trust it" : "");
  for (const auto& p : report.points) {
    text += fmt::format(
        "{:.2f},{:.2f} -> {:.3f},{:.3f}\n", p.proof.x, p.proof.y, p.drawing.x, p.drawing.y);
  }
  return text;
}

int run_align(AlignOptions& o, Surroundings& around) {
  if (!o.plate.empty()) {
    const auto size = parse_size(o.plate);
    if (!size) return around.console.problem(size.error());
    o.request.plate = *size;
  }
  const auto report = jobs::align_scans(o.request, around.console.progress(around.stop));
  if (!report) return around.console.problem(report.error());
  around.console.notes(report->notes);
  return around.console.result(o.json ? jobs::to_json(*report) + "\n" : as_text(*report));
}

}  // namespace

void add_align(CLI::App& app, Surroundings& around) {
  auto o = std::make_shared<AlignOptions>();
  auto& r = o->request;
  auto* c =
      app.add_subcommand("align", "find how the drawing lies on the proof, and how sure that is");
  c->add_option("PROOF", r.proof, "scan of the state proof")->required()->type_name(" ");
  c->add_option("DRAWING", r.drawing, "scan of the reworked impression or the drawing")
      ->required()
      ->type_name(" ");
  c->add_option("--plate", o->plate, "size of the metal plate")->type_name("WxH");
  c->add_option("--points", r.points, "CSV with the header x,y: proof pixels to map to the drawing")
      ->type_name("FILE.csv");
  c->add_option(
       "--pins",
       r.pins,
       "by hand: CSV with the header proof_x,proof_y,drawing_x,drawing_y and four or more pairs")
      ->type_name("FILE.csv");
  c->add_option("--picture", r.picture, "write a picture to judge the match by")
      ->type_name("FILE.png");
  add_scan_options(*c, r.read);
  add_json_flag(*c, o->json);
  c->footer("Example:\n  rebite align proof.tif drawing.tif --plate 150x110 --picture match.png");
  c->callback([o, &around] { around.exit_code = run_align(*o, around); });
}

}  // namespace rebite::cli
