#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <algorithm>

#include "cli/command.h"
#include "jobs/spots.h"

namespace rebite::cli {
namespace {

struct ReadOptions {
  std::filesystem::path scan;
  std::vector<std::string> at;
  jobs::ScanChoice read;
  bool json = false;
};

int run_read(const ReadOptions& o, Surroundings& around) {
  std::vector<jobs::SpotRequest> spots;
  for (const auto& text : o.at) {
    const auto spot = jobs::parse_spot(text);
    if (!spot) return around.console.problem(spot.error());
    spots.push_back(*spot);
  }
  const auto report = jobs::read_spots(o.scan, spots, o.read, around.console.progress(around.stop));
  if (!report) return around.console.problem(report.error());
  around.console.notes(report->notes);
  if (o.json) return around.console.result(jobs::to_json(*report) + "\n");
  std::string text = "             place   aperture   density   +-       L*   grain\n";
  for (const auto& s : report->spots) {
    const auto place = fmt::format("{:g},{:g} {}", s.at.x, s.at.y, s.at.in_mm ? "mm" : "px");
    text += fmt::format("{:>18}   {:5g} mm   {:7.3f}   {:.3f}  {:5.1f}   {:.3f}\n",
                        place,
                        s.at.diameter_mm,
                        s.density.value(),
                        s.sd,
                        s.lightness,
                        s.grain_sd);
  }
  double least = 1, most = 0;
  for (const auto& s : report->spots) {
    least = std::min(least, s.tone_sd);
    most = std::max(most, s.tone_sd);
  }
  text += "+-: standard error of the mean, from the grain. On top of it the scanner's tones are ";
  text += most - least < 5e-4 ? fmt::format("true to {:.3f} D.\n", most)
                              : fmt::format("true to {:.3f} to {:.3f} D.\n", least, most);
  if (report->paper_reflectance > 0) {
    text += fmt::format(
        "Bare paper: {:.0f} % of white, true to {:.3f} D about its field, which changes by {:.1f} % "
        "over the scan.\n",
        100 * report->paper_reflectance,
        report->paper_residual_sd,
        100 * report->paper_unevenness);
  }
  return around.console.result(text);
}

}  // namespace

void add_read(CLI::App& app, Surroundings& around) {
  auto o = std::make_shared<ReadOptions>();
  auto* c = app.add_subcommand("read", "measure the density at places of a scan");
  c->add_option("SCAN", o->scan, "any scan of a print")->required()->type_name(" ");
  c->add_option(
       "--at",
       o->at,
       "where: pixels (1200,800) or mm from the top-left corner (12mm,30mm); a third number is "
       "the aperture's diameter in mm, else 3")
      ->required()
      ->type_name("X,Y[,D]")
      ->allow_extra_args(false);
  add_scan_options(*c, o->read);
  add_json_flag(*c, o->json);
  c->footer(
      "Example:\n  rebite read proof.tif --at 12mm,30mm --at 40mm,30mm,5\n\n"
      "Density is measured above the sheet's own bare paper; +- is the standard error of the mean, "
      "grain the\nspread of single pixels as a share of the paper's light.");
  c->callback([o, &around] { around.exit_code = run_read(*o, around); });
}

}  // namespace rebite::cli
