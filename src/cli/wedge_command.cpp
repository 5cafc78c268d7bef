#include <fmt/format.h>

#include <CLI/CLI.hpp>

#include "cli/command.h"
#include "jobs/calibrate.h"

namespace rebite::cli {
namespace {

struct WedgeOptions {
  jobs::BatchRequest request;
  std::string times, dips, temperature, window, crossed_first, crossed_second;
  bool json = false;
};

template <class T, class Parse>
bool parsed(const std::string& text, Parse parse, T& into, Surroundings& around) {
  if (text.empty()) return true;
  auto value = parse(text);
  if (!value) {
    around.exit_code = around.console.problem(value.error());
    return false;
  }
  into = std::move(*value);
  return true;
}

// Until when a bite gains, and whether the wedge shows an end or only ends itself.
std::string useful_text(const wedge::Batch& batch) {
  const auto& curve = batch.curve;
  const std::string tones = fmt::format("darkest tone {:.2f} D, unbitten metal {:.2f} D.\n",
                                        curve.darkest().value(),
                                        curve.lightest().value());
  if (batch.end_seen()) {
    return fmt::format("Useful until {}: {}", clock_text(curve.useful_until()), tones);
  }
  return fmt::format("Known until {}, the wedge's last step: it still gained there, so no useful end was "
                     "seen.\nThere: {}",
                     clock_text(curve.useful_until()),
                     tones);
}

std::string table(const wedge::Batch& batch) {
  std::string text =
      "    total   density   +-     prints  grain   trim   step, its middle from the scan's top-left "
      "corner\n";
  for (const auto& s : batch.steps) {
    text += fmt::format("  {:>7}   {:7.3f}  {:.3f}  {:>6}   {:.3f}   {:.1f}   {:>2}. at {:.0f},{:.0f} mm\n",
                        clock_text(s.time),
                        s.density.value(),
                        s.sd,
                        s.between_sd ? fmt::format("{:.3f}", *s.between_sd) : "-",
                        s.grain_sd,
                        s.trimmed_mm,
                        s.place,
                        s.x_mm,
                        s.y_mm);
  }
  text +=
      "+-: error of the density by wiping and grain, 1 sd (the scanner's own comes on top); prints: "
      "spread from print\nto print, D; grain: scatter of single pixels, as a share of the paper's "
      "light; trim: mm left out along the step's edges.\n";
  text += useful_text(batch);
  text += batch.scanner.curve.empty()
              ? std::string("Read without a scanner curve: read the proofs without one too.\n")
              : fmt::format("Read with the scanner curve {}: read the proofs with it too.\n",
                            batch.scanner.curve);
  if (batch.overlap.measured) {
    text += fmt::format("Overlap of a fresh ground, by the crossed wedge: {:.2f} +- {:.2f}.\n",
                        batch.overlap.q,
                        batch.overlap.sd);
  }
  return text;
}

void run_wedge(WedgeOptions& o, Surroundings& around) {
  auto& r = o.request;
  if (o.times.empty() == o.dips.empty()) {
    around.exit_code =
        around.console.problem({ProblemKind::usage,
                                "Give the wedge's times either as --times or as --dips.",
                                "--times are totals in the bath for each step (0s,15s,30s,1min); "
                                "--dips are the successive "
                                "dips, of which the totals are the running sum."});
    return;
  }
  if (!parsed(o.times, parse_times, r.times, around)) return;
  const auto totals = [](std::string_view text) -> Result<std::vector<BiteTime>> {
    const auto dips = parse_times(text);
    return dips ? jobs::totals_of_dips(*dips) : dips;
  };
  if (!parsed(o.dips, totals, r.times, around)) return;
  if (!parsed(o.temperature, parse_temperature, r.temperature, around)) return;
  if (!parsed(o.window, jobs::parse_window, r.window_mm, around)) return;
  if (!parsed(o.crossed_first, parse_times, r.crossed_times.first, around)) return;
  if (!parsed(o.crossed_second, parse_times, r.crossed_times.second, around)) return;

  const auto batch = jobs::calibrate_batch(r, around.console.progress(around.stop));
  if (!batch) {
    around.exit_code = around.console.problem(batch.error());
    return;
  }
  around.console.notes(batch->notes);
  around.exit_code =
      around.console.result(o.json ? wedge::to_json(*batch) + "\n"
                                   : table(*batch) + fmt::format("Written: {}\n", r.out.string()));
}

}  // namespace

void add_wedge(CLI::App& app, Surroundings& around) {
  auto o = std::make_shared<WedgeOptions>();
  auto& r = o->request;
  auto* c =
      app.add_subcommand("wedge", "measure a step wedge: what this bath does in how many minutes");
  c->add_option(
       "SCAN", r.scans, "scans of the wedge's print; several are impressions of the same wedge")
      ->required();
  c->add_option(
       "--times", o->times, "total time in the bath of each step, e.g. 0s,15s,30s,1min,2min")
      ->type_name("T1,T2,...");
  c->add_option("--dips", o->dips, "or: the successive dips; the totals are their running sum")
      ->type_name("T1,T2,...");
  c->add_option("--out", r.out, "where to write the batch")
      ->required()
      ->type_name("NAME.batch.json");
  add_scan_options(*c, r.read);
  c->add_option("--mordant", r.mordant, "e.g. 'ferric chloride' or 'nitric acid'")
      ->type_name("NAME");
  c->add_option("--strength", r.strength, "as you write it, e.g. '40 Be' or '1:8'")
      ->type_name("TEXT");
  c->add_option("--temperature", o->temperature, "of the bath when the wedge was bitten")
      ->type_name("21C");
  c->add_option("--metal", r.metal, "copper, zinc, ...")->type_name("NAME");
  c->add_option("--ground", r.ground, "rosin, sprayed, ...")->type_name("NAME");
  c->add_option("--bitten-on", r.bitten_on, "the day the wedge was bitten")
      ->type_name("YYYY-MM-DD");
  c->add_option("--window",
                o->window,
                "where the wedge lies, if it is not found: mm from the scan's "
                "top-left corner")
      ->type_name("X,Y,W,H");
  auto* crossed = c->add_option("--crossed",
                                r.crossed_scans,
                                "a scan of a crossed wedge bitten in the same bath: how a fresh "
                                "ground adds to old tones is then measured, not assumed");
  crossed->type_name("SCAN")->allow_extra_args(false);
  auto* first = c->add_option("--crossed-first",
                              o->crossed_first,
                              "total times of the crossed wedge's strips through the first ground");
  first->type_name("T1,T2,...")->needs(crossed);
  auto* second = c->add_option("--crossed-second",
                               o->crossed_second,
                               "and of the strips across them, through the second ground");
  second->type_name("T1,T2,...")->needs(crossed);
  crossed->needs(first)->needs(second);
  c->add_option("--plot", r.plot, "draw the curve as .png or .svg")->type_name("FILE");
  add_json_flag(*c, o->json);
  c->footer(
      "Example:\n  rebite wedge wedge.tif --times 0s,15s,30s,1min,2min,4min,8min,16min "
      "--mordant 'ferric chloride'\n      --strength '40 Be' --temperature 21C --out "
      "ferric.batch.json\n\n"
      "Bite one wedge for each newly mixed bath, on the metal and with the ground that you will "
      "use; "
      "print it as you\nprint your proofs and let it dry before scanning.\n\n"
      "A crossed wedge: bite strips side by side, clean the plate, lay a second ground, bite "
      "strips "
      "across the\nfirst; leave one strip of each unbitten and give the two different numbers of "
      "strips:\n  --crossed crossed.tif --crossed-first 0s,30s,1min,2min,4min --crossed-second "
      "0s,30s,1min,2min");
  c->callback([o, &around] { run_wedge(*o, around); });
}

}  // namespace rebite::cli
