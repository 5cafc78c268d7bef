// Accuracy of alignment on made pairs: error by kind of pair, own estimate against the truth,
// refusals, time per megapixel. Prints markdown.
// measure_align [--seeds N] [--first SEED] [--only WORDS] [--small yes] [--plate WxH] [--each yes]
// --only: the rows whose name holds the words; --small: plates of 90 x 70 mm instead of 150 x 110;
// --plate: of that size, in mm;
// --each: a line for each pair too.
#include <fmt/format.h>

#include <chrono>
#include <cstdlib>
#include <string>
#include <vector>

#include "align/align_pair.h"
#include "tests/align/pair_maker.h"

namespace {

using namespace rebite;
using align_test::DrawingKind;
using align_test::MadePair;
using align_test::PairSpec;
using align_test::quantile;

struct Row {
  std::vector<double> median, p95, worst, grain_p95, grain_worst, no_grain, ratio_p95;
  std::vector<double> seconds_per_mpx;
  int refused = 0, noted = 0, runs = 0;
  int silent = 0;  // p95 beyond 0.3 mm and beyond four times what was said, without a word
};

struct Kind {
  const char* name;
  PairSpec spec;
};

double now() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

void run_pair(const PairSpec& spec, bool each, Row& row) {
  const MadePair pair = make_pair(spec);
  align::AlignOptions options;
  options.plate = spec.size;
  options.threads = 2;
  const double start = now();
  const auto a = align::align_pair(pair.proof, pair.drawing, options);
  const double seconds = now() - start;
  ++row.runs;
  row.seconds_per_mpx.push_back(
      seconds * 1e6 /
      static_cast<double>(pair.proof.relative.total() + pair.drawing.relative.total()));
  if (!a) {
    ++row.refused;
    if (each) fmt::print("seed {}: {}\n", spec.seed, a.error().what);
    return;
  }
  std::vector<PlateMm> places;
  const auto e = align_test::target_errors(
      pair, [&](cv::Point2d p) { return a->warp->drawing_from_proof(p); }, 3, 25, &places);
  std::vector<double> on_grain;
  for (std::size_t k = 0; k < e.size(); ++k)
    if (pair.grain_in_both(places[k])) on_grain.push_back(e[k]);
  row.no_grain.push_back(1 - static_cast<double>(on_grain.size()) / static_cast<double>(e.size()));
  row.grain_p95.push_back(quantile(on_grain, 0.95));
  row.grain_worst.push_back(quantile(on_grain, 1));
  row.median.push_back(quantile(e, 0.5));
  row.p95.push_back(quantile(e, 0.95));
  row.worst.push_back(quantile(e, 1));
  if (a->error) row.ratio_p95.push_back(a->error->p95 / quantile(e, 0.95));
  row.noted += a->doubtful || !a->notes.empty() ? 1 : 0;
  const double told = a->error ? a->error->p95 : 0;
  row.silent += row.p95.back() > std::max(0.3, 4 * told) && a->notes.empty() ? 1 : 0;
  if (each)
    fmt::print(
        "seed {}: TRE {:.4f} / {:.4f} / {:.4f}, on shared grain {:.4f} / {:.4f} ({:.0f} % has "
        "none), "
        "own p95 {:.4f}, agreement {:.2f}, {:.2f} s\n",
        spec.seed,
        row.median.back(),
        row.p95.back(),
        row.worst.back(),
        row.grain_p95.back(),
        row.grain_worst.back(),
        100 * row.no_grain.back(),
        told,
        a->agreement,
        seconds);
}

void print(const std::string& name, const Row& r) {
  int within_two = 0, under_four = 0;
  for (const double q : r.ratio_p95) {
    within_two += q >= 0.5 && q <= 2 ? 1 : 0;
    under_four += q < 0.25 ? 1 : 0;
  }
  const auto all = static_cast<double>(std::max<std::size_t>(1, r.ratio_p95.size()));
  fmt::print(
      "| {} | {} | {:.4f} / {:.4f} / {:.4f} | {:.4f} / {:.4f} | {:.0f} % | {:.4f} | {:.2f} "
      "({:.2f}..{:.2f}) | "
      "{:.0f} % | {} | "
      "{} | {} | {} | {:.2f} |\n",
      name,
      r.runs,
      quantile(r.median, 0.5),
      quantile(r.p95, 0.5),
      quantile(r.worst, 0.5),
      quantile(r.grain_p95, 0.5),
      quantile(r.grain_worst, 0.5),
      100 * quantile(r.no_grain, 0.5),
      quantile(r.p95, 1),
      quantile(r.ratio_p95, 0.5),
      quantile(r.ratio_p95, 0),
      quantile(r.ratio_p95, 1),
      100 * within_two / all,
      under_four,
      r.refused,
      r.noted,
      r.silent,
      quantile(r.seconds_per_mpx, 0.5));
  std::fflush(stdout);
}

std::vector<Kind> kinds_of_pairs() {
  std::vector<Kind> kinds;
  const auto add = [&](const char* name, auto&& change) {
    PairSpec spec;
    change(spec);
    kinds.push_back({name, spec});
  };
  add("reworked, wander 0.4", [](PairSpec&) {});
  add("reworked, wander 1.2", [](PairSpec& s) { s.wander_mm = 1.2; });
  // The scene leaves one area in ten unbitten, and bare metal has no grain to match.
  add("reworked, wander 1.2, bitten all over", [](PairSpec& s) {
    s.wander_mm = 1.2;
    s.bare_metal = false;
  });
  add("reworked, 8 bit, turned 91 / 178", [](PairSpec& s) {
    s.bits = 8;
    s.proof_turn = 91;
    s.drawing_turn = 178;
  });
  add("reworked, drawing at 600 dpi", [](PairSpec& s) { s.drawing_dpi = 600; });
  add("reworked, both at 600 dpi", [](PairSpec& s) { s.proof_dpi = s.drawing_dpi = 600; });
  add("reworked, wander 1.2, bitten all over, both at 600 dpi", [](PairSpec& s) {
    s.proof_dpi = s.drawing_dpi = 600;
    s.wander_mm = 1.2;
    s.bare_metal = false;
  });
  add("half under opaque paint, 40 % ink error, both at 600 dpi", [](PairSpec& s) {
    s.proof_dpi = s.drawing_dpi = 600;
    s.kind = DrawingKind::opaque;
    s.ink_error = 0.4;
  });
  add("reworked, dark lid", [](PairSpec& s) { s.lid = 0.05; });
  add("reworked, left half painted flat", [](PairSpec& s) { s.half_flat = true; });
  add("half under opaque paint, 40 % ink error", [](PairSpec& s) {
    s.kind = DrawingKind::opaque;
    s.ink_error = 0.4;
  });
  const auto separate = [&](const char* name, auto&& change) {
    add(name, [&](PairSpec& s) {
      s.kind = DrawingKind::separate;
      change(s);
    });
  };
  // Line work: a plate whose picture was etched in line first. The rows below it have the few
  // strokes of the ordinary scene, or four.
  separate("separate drawing, line work of 60 strokes", [](PairSpec& s) { s.etched_strokes = 60; });
  separate("separate drawing, 5 to 10 strokes", [](PairSpec&) {});
  separate("separate drawing, borders lined in", [](PairSpec& s) { s.contours = true; });
  add("separate drawing, four lines", [](PairSpec& s) { s.kind = DrawingKind::four_lines; });
  separate("separate drawing at 125 %, other paper", [](PairSpec& s) {
    s.contours = true;
    s.enlarged = 1.25;
    s.plate_mark = false;
  });
  separate("separate drawing, photographed", [](PairSpec& s) {
    s.contours = true;
    s.photograph = true;
    s.drawing_tag = 0;
  });
  return kinds;
}

struct Choice {
  int seeds = 10, first = 101;
  std::string only;
  SizeMm size = PairSpec().size;
  bool each = false;
  std::uint64_t seed(int k) const { return static_cast<std::uint64_t>(first + k); }
  bool wants(const char* name) const { return std::string(name).find(only) != std::string::npos; }
};

void accuracy(const std::vector<Kind>& kinds, const Choice& choice) {
  fmt::print(
      "| pair | runs | TRE median / p95 / max | on shared grain: p95 / max | without | worst p95 | "
      "own p95 / true p95 "
      "(range) | within a "
      "factor of 2 | under by > 4 | refused | with a note | silently wrong | s per Mpx "
      "|\n|---|---|---|---|---|---|---|---|---|---|---|---|---|\n");
  for (const Kind& kind : kinds) {
    if (!choice.wants(kind.name)) continue;
    Row row;
    for (int k = 0; k < choice.seeds; ++k) {
      PairSpec spec = kind.spec;
      spec.seed = choice.seed(k);
      run_pair(spec, choice.each, row);
    }
    print(kind.name, row);
  }
}

// One wrong pair of each kind for each seed: none may be accepted.
void refusals(const Choice& choice, SizeMm size) {
  const auto other = [](PairSpec spec, MadePair& pair) {
    spec.seed += 1000;
    pair.drawing = make_pair(spec).drawing;
  };
  struct Wrong {
    const char* name;
    DrawingKind kind;
    double drawing_dpi;
    void (*spoil)(PairSpec, MadePair&);
  };
  const Wrong wrongs[] = {
      {"refusal: another plate of the same size, reworked", DrawingKind::reworked, 300, other},
      {"refusal: another plate of the same size, drawn", DrawingKind::separate, 300, other},
      {"refusal: blank sheet",
       DrawingKind::reworked,
       300,
       [](PairSpec, MadePair& pair) { pair.drawing.relative.setTo(1.0F); }},
      {"refusal: 200 dpi tagged 300",
       DrawingKind::reworked,
       200,
       [](PairSpec, MadePair& pair) {
         pair.drawing.info.x = pair.drawing.info.y = PxPerMm::of_dpi(300);
       }},
  };
  fmt::print("\n| pair | runs | refused | median, s | slowest, s |\n|---|---|---|---|---|\n");
  for (const Wrong& wrong : wrongs) {
    if (!choice.wants(wrong.name)) continue;
    int refused = 0;
    std::vector<double> seconds;
    for (int k = 0; k < choice.seeds; ++k) {
      PairSpec spec;
      spec.seed = choice.seed(k);
      spec.size = size;
      spec.kind = wrong.kind;
      spec.drawing_dpi = wrong.drawing_dpi;
      MadePair pair = make_pair(spec);
      wrong.spoil(spec, pair);
      const double start = now();
      refused += align::align_pair(pair.proof, pair.drawing, {}) ? 0 : 1;
      seconds.push_back(now() - start);
    }
    fmt::print("| {} | {} | {} | {:.1f} | {:.1f} |\n",
               wrong.name,
               choice.seeds,
               refused,
               quantile(seconds, 0.5),
               quantile(seconds, 1));
    std::fflush(stdout);
  }
}

}  // namespace

int main(int argc, char** argv) {
  Choice choice;
  for (int k = 1; k + 1 < argc; k += 2) {
    const std::string name = argv[k];
    if (name == "--seeds") choice.seeds = std::atoi(argv[k + 1]);
    if (name == "--first") choice.first = std::atoi(argv[k + 1]);
    if (name == "--only") choice.only = argv[k + 1];
    if (name == "--small") choice.size = {90, 70};
    if (name == "--plate") {
      const std::string given = argv[k + 1];
      choice.size = {std::stod(given), std::stod(given.substr(given.find('x') + 1))};
    }
    if (name == "--each") choice.each = true;
  }
  std::vector<Kind> kinds = kinds_of_pairs();
  const SizeMm size = choice.size;
  for (Kind& kind : kinds) kind.spec.size = size;
  fmt::print(
      "TRE in mm: median over seeds of each pair's median / p95 / max. Plate {:.0f} x {:.0f} "
      "mm.\n\n",
      size.width,
      size.height);
  accuracy(kinds, choice);
  refusals(choice, size);
}
