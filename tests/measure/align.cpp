// Accuracy of alignment on made pairs: error by kind of pair, own estimate against the truth,
// refusals, time per megapixel. measure_align [--seeds N] [--first SEED]; prints markdown.
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
  std::vector<double> median, p95, worst, ratio_p95, seconds_per_mpx;
  int refused = 0, noted = 0, runs = 0;
};

double now() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

void run_pair(const PairSpec& spec, Row& row) {
  const MadePair pair = make_pair(spec);
  align::AlignOptions options;
  options.plate = spec.size;
  const double start = now();
  const auto a = align::align_pair(pair.proof, pair.drawing, options);
  const double seconds = now() - start;
  ++row.runs;
  row.seconds_per_mpx.push_back(
      seconds * 1e6 /
      static_cast<double>(pair.proof.relative.total() + pair.drawing.relative.total()));
  if (!a) {
    ++row.refused;
    return;
  }
  const auto e = align_test::target_errors(
      pair, [&](cv::Point2d p) { return a->warp->drawing_from_proof(p); });
  row.median.push_back(quantile(e, 0.5));
  row.p95.push_back(quantile(e, 0.95));
  row.worst.push_back(quantile(e, 1));
  if (a->error) row.ratio_p95.push_back(a->error->p95 / quantile(e, 0.95));
  row.noted += a->doubtful ? 1 : 0;
}

void print(const std::string& name, const Row& r) {
  int within_two = 0, under_four = 0;
  for (const double q : r.ratio_p95) {
    within_two += q >= 0.5 && q <= 2 ? 1 : 0;
    under_four += q < 0.25 ? 1 : 0;
  }
  const auto all = static_cast<double>(std::max<std::size_t>(1, r.ratio_p95.size()));
  fmt::print(
      "| {} | {} | {:.4f} / {:.4f} / {:.4f} | {:.4f} | {:.2f} ({:.2f}..{:.2f}) | {:.0f} % | {} | "
      "{} | {} | {:.2f} |\n",
      name,
      r.runs,
      quantile(r.median, 0.5),
      quantile(r.p95, 0.5),
      quantile(r.worst, 0.5),
      quantile(r.p95, 1),
      quantile(r.ratio_p95, 0.5),
      quantile(r.ratio_p95, 0),
      quantile(r.ratio_p95, 1),
      100 * within_two / all,
      under_four,
      r.refused,
      r.noted,
      quantile(r.seconds_per_mpx, 0.5));
  std::fflush(stdout);
}

}  // namespace

int main(int argc, char** argv) {
  int seeds = 10, first = 101;
  for (int k = 1; k + 1 < argc; k += 2) {
    if (std::string(argv[k]) == "--seeds") seeds = std::atoi(argv[k + 1]);
    if (std::string(argv[k]) == "--first") first = std::atoi(argv[k + 1]);
  }
  fmt::print(
      "TRE in mm: median over seeds of each pair's median / p95 / max. Plate 150 x 110 mm.\n\n");
  fmt::print(
      "| pair | runs | TRE median / p95 / max | worst p95 | own p95 / true p95 (range) | within a "
      "factor of 2 | under by > 4 | refused | doubtful | s per Mpx "
      "|\n|---|---|---|---|---|---|---|---|---|---|\n");
  struct Kind {
    const char* name;
    PairSpec spec;
  };
  std::vector<Kind> kinds;
  const auto add = [&](const char* name, auto&& change) {
    PairSpec spec;
    change(spec);
    kinds.push_back({name, spec});
  };
  add("reworked, wander 0.4", [](PairSpec&) {});
  add("reworked, wander 1.2", [](PairSpec& s) { s.wander_mm = 1.2; });
  add("reworked, 8 bit, turned 91 / 178", [](PairSpec& s) {
    s.bits = 8;
    s.proof_turn = 91;
    s.drawing_turn = 178;
  });
  add("reworked, drawing at 600 dpi", [](PairSpec& s) { s.drawing_dpi = 600; });
  add("half under opaque paint, 40 % ink error", [](PairSpec& s) {
    s.kind = DrawingKind::opaque;
    s.ink_error = 0.4;
  });
  add("separate drawing", [](PairSpec& s) { s.kind = DrawingKind::separate; });
  add("separate drawing, four lines", [](PairSpec& s) { s.kind = DrawingKind::four_lines; });
  add("separate drawing, borders lined in", [](PairSpec& s) {
    s.kind = DrawingKind::separate;
    s.contours = true;
  });
  for (const Kind& kind : kinds) {
    Row row;
    for (int k = 0; k < seeds; ++k) {
      PairSpec spec = kind.spec;
      spec.seed = static_cast<std::uint64_t>(first + k);
      run_pair(spec, row);
    }
    print(kind.name, row);
  }

  fmt::print(
      "\nPairs that do not belong together (proof of one seed, drawing of the next):\n\n"
      "| pair | runs | refused | slowest, s |\n|---|---|---|---|\n");
  for (const Kind& kind : kinds) {
    int refused = 0;
    double slowest = 0;
    for (int k = 0; k < seeds; ++k) {
      PairSpec spec = kind.spec;
      spec.seed = static_cast<std::uint64_t>(first + k);
      MadePair pair = make_pair(spec);
      spec.seed += 1000;
      pair.drawing = make_pair(spec).drawing;
      const double start = now();
      refused += align::align_pair(pair.proof, pair.drawing, {}) ? 0 : 1;
      slowest = std::max(slowest, now() - start);
    }
    fmt::print("| {} | {} | {} | {:.1f} |\n", kind.name, seeds, refused, slowest);
    std::fflush(stdout);
  }
}
