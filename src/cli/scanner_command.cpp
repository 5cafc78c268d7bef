#include <fmt/format.h>

#include <CLI/CLI.hpp>

#include "cli/command.h"
#include "jobs/calibrate.h"

namespace rebite::cli {
namespace {

struct ScannerOptions {
  jobs::ScannerRequest request;
  std::string densities;
};

// The patches with what each curve makes of them: of the grey code, or of each channel.
std::string table(const scan::ScannerCurve& curve) {
  std::string text = curve.channels.empty() ? "  density   code   off by\n"
                                            : "  density    red   off by  green   off by   blue   off "
                                              "by\n";
  const auto reading = [](const scan::GreyPatch& p) {
    return fmt::format("  {:5.3f}  {:+.4f}", p.code, p.residual);
  };
  for (std::size_t i = 0; i < curve.patches.size(); ++i) {
    text += fmt::format("  {:7.2f}", curve.patches[i].density.value());
    if (curve.channels.empty()) text += reading(curve.patches[i]);
    for (const scan::CodeCurve& c : curve.channels) text += reading(c.patches[i]);
    text += '\n';
  }
  if (curve.channels.empty()) return text;
  text += "Doubt of each channel's curve: ";
  for (std::size_t k = 0; k < curve.channels.size(); ++k) {
    const scan::CodeCurve& c = curve.channels[k];
    text += fmt::format("{}{} {}", k ? ", " : "", scan::channel_names[k], scan::spread_text(c.residual_sd));
  }
  return text + ".\n";
}

int run_scanner(ScannerOptions& o, Console& console) {
  auto densities = jobs::grey_scale_densities(o.densities);
  if (!densities) return console.problem(densities.error());
  o.request.densities = std::move(*densities);
  const auto curve = jobs::calibrate_scanner(o.request);
  if (!curve) return console.problem(curve.error());
  console.notes(curve->notes);
  return console.result(table(*curve) + fmt::format(
                            "{} patches, off the curve by {} (rms). Doubt of the curve: {} (1 sd), what "
                            "it is off by\nat a patch that it was fitted without. Written: {}\n",
                            curve->patches.size(),
                            scan::spread_text(curve->residual_rms(curve->scan_channels)),
                            scan::spread_text(curve->spread(curve->scan_channels)),
                            o.request.out.string()));
}

}  // namespace

void add_scanner(CLI::App& app, Surroundings& around) {
  auto o = std::make_shared<ScannerOptions>();
  auto* c = app.add_subcommand(
      "scanner", "measure the scanner's own tone curve from a grey scale of known densities");
  c->add_option(
       "SCAN", o->request.scan, "scan of the grey scale, with the settings you use for proofs")
      ->required()
      ->type_name(" ");
  c->add_option("--densities",
                o->densities,
                "the patches' densities in the order in which they lie, or the name of a published "
                "scale")
      ->required()
      ->type_name("D1,D2,...");
  c->add_option("--out", o->request.out, "where to write the curve")
      ->required()
      ->type_name("NAME.scanner.json");
  c->add_option("--plot", o->request.plot, "draw the curve as .png or .svg")->type_name("FILE");
  c->add_option("--dpi", o->request.dpi, "the scan's resolution, if its file does not say it")
      ->type_name("N");
  c->footer(
      "Example:\n  rebite scanner grey-scale.tif --densities 0.05,0.22,0.43,0.69,1.06,1.65 "
      "--out studio.scanner.json\n\nBuy or borrow a printed grey scale whose densities are known. "
      "Turn "
      "off automatic contrast, sharpening and\ncolour correction in the scanner, and use the same "
      "settings for every later scan.");
  c->callback([o, &around] { around.exit_code = run_scanner(*o, around.console); });
}

}  // namespace rebite::cli
