#include <fmt/format.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <cstdlib>

#include "cli/command.h"
#include "cli/print_plan.h"
#include "jobs/book_jobs.h"
#include "jobs/plan_state.h"
#include "jobs/studio.h"
#include "units/parse.h"

namespace rebite::cli {
namespace {

std::string_view without_ending(std::string_view text, std::string_view ending) {
  if (text.ends_with(ending)) text.remove_suffix(ending.size());
  while (text.ends_with(' ')) text.remove_suffix(1);
  return text;
}

struct Options {
  jobs::PlanRequest request;
  std::string plate, ground = "fresh", stages, temperature, shortest, units = "metric",
                     paper = "a4", printer_scale, brush, risk;
  bool json = false;
};

// "4" or "4mm".
Result<double> brush_of(const std::string& text) {
  const std::string_view bare = without_ending(text, "mm");
  const auto mm = parse_number(bare);
  if (mm && *mm >= 0.5 && *mm <= 50) return *mm;
  return refuse(ProblemKind::usage,
                fmt::format("'{}' is not a brush's width", text),
                "Write millimetres from 0.5 to 50, such as --brush 4.");
}

// "0.2" or "20%".
Result<double> risk_of(const std::string& text) {
  const std::string_view bare = without_ending(text, "%");
  const double unit = bare.size() < text.size() ? 100 : 1;
  const auto share = parse_number(bare);
  if (share && *share / unit >= 0.01 && *share / unit <= 0.5) return *share / unit;
  return refuse(ProblemKind::usage,
                fmt::format("'{}' is not a risk that can be planned for", text),
                "Write the share of bites that may go a visible step too far, from 0.01 to 0.5, such "
                "as --risk 0.2 or --risk 20%.");
}

// The texts of the options into the request.
Result<void> understand(Options& o) {
  auto& r = o.request;
  const auto size = parse_size(o.plate);
  if (!size) return std::unexpected(size.error());
  r.plate = *size;
  r.options.ground = o.ground == "kept" ? plan::Ground::kept : plan::Ground::fresh;
  if (!o.stages.empty()) {
    const auto n = o.stages == "max" ? Result<double>(0) : parse_number(o.stages);
    if (!n || (*n == 0) != (o.stages == "max") || *n < 0 || *n > jobs::most_stages ||
        *n != static_cast<int>(*n)) {
      return refuse(ProblemKind::usage,
                    fmt::format("'{}' is not a number of stages", o.stages),
                    fmt::format("Write a whole number from 1 to {}, or max.", jobs::most_stages));
    }
    r.options.stages = static_cast<int>(*n);
  }
  if (!o.temperature.empty()) {
    const auto t = parse_temperature(o.temperature);
    if (!t) return std::unexpected(t.error());
    r.options.temperature = *t;
  }
  if (!o.shortest.empty()) {
    const auto t = parse_time(o.shortest);
    if (!t) return std::unexpected(t.error());
    r.options.shortest = *t;
  }
  if (!o.brush.empty()) {
    const auto mm = brush_of(o.brush);
    if (!mm) return std::unexpected(mm.error());
    r.brush_mm = *mm;
  }
  if (!o.risk.empty()) {
    const auto share = risk_of(o.risk);
    if (!share) return std::unexpected(share.error());
    r.options.risk = *share;
  }
  if (!o.printer_scale.empty()) {
    const auto scale = parse_numbers(o.printer_scale);
    const auto sound = [](double k) { return k >= 0.9 && k <= 1.1; };
    if (!scale || scale->empty() || scale->size() > 2 || !std::ranges::all_of(*scale, sound)) {
      return refuse(ProblemKind::usage,
                    fmt::format("'{}' is not a printer's scale", o.printer_scale),
                    "Measure the 100 mm rules of a printed page across and down and write their "
                    "lengths divided by 100, each from 0.9 to 1.1: --printer-scale 0.985,0.990.");
    }
    r.bench.printer_across = scale->front();
    r.bench.printer_down = scale->back();
  }
  r.units = o.units == "metric" ? sheets::Units::metric : sheets::Units::inches;
  r.fahrenheit = o.units == "inches";
  r.bench.paper = o.paper == "letter" ? sheets::Paper::letter : sheets::Paper::a4;
  r.made_on = today();
  return {};
}

int run(Options& o, Surroundings& around) {
  if (auto ok = understand(o); !ok) return around.console.problem(ok.error());
  const char* environment = std::getenv("REBITE_BOOK");
  o.request.book = jobs::book_file(o.request.book, environment ? environment : "");
  const auto report = jobs::plan_on_record(o.request, around.console.progress(around.stop));
  if (!report) return around.console.problem(report.error());
  around.console.notes(report->content.plan.notes);
  return around.console.result(o.json ? report->plan_json
                                      : plan_text(*report, o.request.out.string()));
}

void add_tone_options(CLI::App& c, Options& o) {
  auto& r = o.request;
  c.add_option(
       "--impression",
       r.impressions,
       "a further impression of the proof's state, so that wiping is told from biting; may be "
       "given several times")
      ->type_name("SCAN")
      ->allow_extra_args(false);
  c.add_option(
       "--brush", o.brush, "nothing narrower than this is stopped out, in mm (default 4)")
      ->type_name("MM");
  c.add_option(
       "--leave",
       r.leave,
       "black and white picture (8-bit grey), of the proof scan's size or cut to the plate: black "
       "where the plan must leave the plate alone")
      ->type_name("MASK");
  c.add_option(
       "--edit",
       r.edit,
       R"(edits by hand: {"format":"rebite-edit","version":1,"regions":[{"id":3,"action":"hold"},)"
       R"({"id":5,"density":0.9},{"at_mm":[40,25],"minutes":2}]})")
      ->type_name("FILE.json");
  c.add_option("--pins", r.pins, "pairs of points, when the scans do not align by themselves")
      ->type_name("FILE.csv");
  c.add_flag("--mirrored", r.mirrored, "the drawing is the print turned over, and that is meant");
}

void add_bite_options(CLI::App& c, Options& o) {
  auto& r = o.request;
  c.add_option(
       "--batch", r.batch, "the bath's wedge, NAME.batch.json; without it the plan has no minutes")
      ->type_name("NAME.batch.json");
  c.add_option(
       "--ground",
       o.ground,
       "fresh: a new ground over the old tones (default, the plate was cleaned for proofing); "
       "kept: the last ground is still on")
      ->check(CLI::IsMember({"fresh", "kept"}));
  c.add_option("--temperature", o.temperature, "of the bath now")->type_name("19C");
  c.add_option("--stages", o.stages, "number of stages, or max (default: where more gain little)")
      ->type_name("N");
  c.add_option("--shortest", o.shortest, "the shortest dip that you can time (default 5s)")
      ->type_name("TIME");
  c.add_option("--risk",
               o.risk,
               "the chance you take of biting a visible step too far (default 0.2)")
      ->type_name("SHARE");
  c.add_option("--days",
               r.options.days_since_wedge,
               "days since the wedge was bitten (default: counted from the wedge's --bitten-on)")
      ->type_name("N")
      ->check(CLI::Range(0.0, 10000.0))
      ->check(finite_number())
      ->each([&r](const std::string&) { r.days_stated = true; });
  c.add_option(
       "--plates", r.options.plates_since_wedge, "plates bitten in this bath since the wedge")
      ->type_name("N")
      ->check(CLI::Range(0, 10000));
}

}  // namespace

void add_plan(CLI::App& app, Surroundings& around) {
  auto o = std::make_shared<Options>();
  auto& r = o->request;
  auto* c = app.add_subcommand(
      "plan", "say where to bite, for how long, in what stop-out order, and where to burnish");
  c->add_option("PROOF", r.proof, "scan of the state proof")->required()->type_name(" ");
  c->add_option("DRAWING",
                r.drawing,
                "scan of the second impression painted over, or of a drawing of its own")
      ->required()
      ->type_name(" ");
  c->add_option("--plate", o->plate, "size of the metal plate: 180x130 (mm), 18x13cm or 7x5in")
      ->required()
      ->type_name("WxH");
  c->add_option("--out", r.out, "folder for the plan")->required()->type_name("DIR");
  add_bite_options(*c, *o);
  add_tone_options(*c, *o);
  add_scan_options(*c, r.read);
  add_other_scanner(*c, r.read);
  c->add_option("--title", r.title, "the plate's name on the sheets")->type_name("TEXT");
  c->add_option("--paper", o->paper, "for the bench map (default a4)")
      ->check(CLI::IsMember({"a4", "letter"}, CLI::ignore_case));
  c->add_option("--printer-scale",
                o->printer_scale,
                "when the 100 mm rules of the printed bench map come out wrong: their measured "
                "lengths across and down, divided by 100")
      ->type_name("0.985,0.990");
  c->add_flag(
      "--transfer", r.bench.transfer_sheet, "add a sheet of outlines for tracing to the plate");
  c->add_option("--units", o->units, "numbers on the sheets: metric (mm, C) or inches (in, F)")
      ->check(CLI::IsMember({"metric", "inches"}));
  c->add_option("--record",
                r.record,
                "enter the state and this plan in the record book, and use what it has learned of "
                "the bath's speed")
      ->type_name("PLATE");
  c->add_option("--book",
                r.book,
                "the record book (default: rebite-book.sqlite in the current folder, or "
                "$REBITE_BOOK)")
      ->type_name("FILE");
  add_json_flag(*c, o->json);
  c->footer(
      "Example:\n  rebite plan proof.tif drawing.tif --batch ferric.batch.json --plate 150x110 "
      "--out "
      "state-3\n\nIn the folder: report.html (open it in a browser), bench-map.pdf (print it at "
      "100 %), "
      "map.png and map.svg,\nnext-proof.png, regions.png and plan.json.");
  c->callback([o, &around] { around.exit_code = run(*o, around); });
}

}  // namespace rebite::cli
