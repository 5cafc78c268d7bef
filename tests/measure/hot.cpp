// The hot functions in megapixels a second (Google Benchmark), on one made pair of 150 x 110 mm at
// 300 dpi and, for reading, its proof as a file: measure_hot [--benchmark_filter=...]
#include <benchmark/benchmark.h>

#include <filesystem>

#include "align/dense_panel.h"
#include "align/patches.h"
#include "align/plate_pair.h"
#include "align/render.h"
#include "files/files.h"
#include "jobs/pictures.h"
#include "scan/read_scan.h"
#include "scan/write_scan.h"
#include "tests/align/pair_maker.h"
#include "tone/cells.h"
#include "tone/partition.h"

namespace {

using namespace rebite;

constexpr int kThreads = 2;
constexpr double kDpi = 300, kPxPerMm = kDpi / 25.4;

void count_pixels(benchmark::State& state, const cv::Mat& m) {
  state.counters["Mpx/s"] = benchmark::Counter(static_cast<double>(m.total()) * 1e-6,
                                               benchmark::Counter::kIsIterationInvariantRate);
}

struct Bench {
  align_test::MadePair pair = align_test::make_pair({.seed = 41});
  align::Alignment alignment = [this] {
    align::AlignOptions options;
    options.plate = pair.plate;
    return align::align_pair(pair.proof, pair.drawing, options, {}).value();
  }();
  // A map with both spline layers, of the size that a fit has.
  align::SmoothMap map = [this] {
    align::SmoothMap m;
    const cv::Rect2d area(0, 0, pair.plate.width + 20, pair.plate.height + 20);
    const auto stiff = align::SplineGrid::over(area, 18);
    const auto fine = stiff.finer(2);
    m.stiff = {stiff, std::vector<cv::Vec2d>(static_cast<std::size_t>(stiff.size()), {0.1, -0.1})};
    m.fine = {fine, std::vector<cv::Vec2d>(static_cast<std::size_t>(fine.size()), {0.01, 0.01})};
    return m;
  }();
  align::PlatePair plate = align::to_plate(pair.proof, pair.drawing, alignment, {pair.plate, 8});
  cv::Mat1b usable = cv::Mat1b(plate.proof.size(), static_cast<unsigned char>(255));
  tone::Cells cells = tone::make_cells(plate.proof, plate.drawing, usable, plate.sigma_mm, 8);
};

Bench& bench() {
  static Bench b;
  return b;
}

void read_file(benchmark::State& state, scan::TiffPacking packing) {
  const auto scene = maker::make_scene(41, {150, 110});
  const auto made = maker::print_proof(scene.plate, {}, {});
  const auto file = std::filesystem::temp_directory_path() / "measure_hot.tif";
  if (!files::write_atomically(file, scan::tiff_bytes(made.codes, made.dpi, made.dpi, packing))) {
    state.SkipWithError("the file could not be written");
    return;
  }
  for (auto _ : state) benchmark::DoNotOptimize(scan::read_scan(file, {}));
  count_pixels(state, made.codes);
  std::filesystem::remove(file);
}
BENCHMARK_CAPTURE(read_file, uncompressed, scan::TiffPacking::none)->Unit(benchmark::kMillisecond);
BENCHMARK_CAPTURE(read_file, lzw, scan::TiffPacking::lzw)->Unit(benchmark::kMillisecond);

void render(benchmark::State& state) {
  const cv::Mat1f& picture = bench().pair.drawing.relative;
  for (auto _ : state)
    benchmark::DoNotOptimize(align::render_on_proof(
        {picture, kPxPerMm}, bench().map, kPxPerMm, picture.size(), kThreads));
  count_pixels(state, picture);
}
BENCHMARK(render)->Unit(benchmark::kMillisecond)->UseRealTime();

void correlate_patches(benchmark::State& state) {
  cv::Mat1f picture = bench().pair.proof.relative.clone();
  cv::patchNaNs(picture, 1);
  const cv::Mat1b all(picture.size(), static_cast<unsigned char>(255));
  align::PatchRule rule;  // as in the finest pass: 4.2 mm every 3 mm, 6 px all round
  rule.side_px = 49;
  rule.step_px = 35;
  rule.reach_px = 6;
  for (auto _ : state)
    benchmark::DoNotOptimize(align::match_patches(
        picture, picture, all, rule, cv::Rect({0, 0}, picture.size()), kThreads));
  count_pixels(state, picture);
}
BENCHMARK(correlate_patches)->Unit(benchmark::kMillisecond)->UseRealTime();

void cell_means(benchmark::State& state) {  // pixels of one scan; both are averaged
  Bench& b = bench();
  for (auto _ : state)
    benchmark::DoNotOptimize(
        align::to_plate(b.pair.proof, b.pair.drawing, b.alignment, {b.pair.plate, 8}));
  count_pixels(state, b.pair.proof.relative);
}
BENCHMARK(cell_means)->Unit(benchmark::kMillisecond)->UseRealTime();

void merge(benchmark::State& state) {  // pixels of the plate grid
  Bench& b = bench();
  for (auto _ : state) {
    int count = 0;
    const cv::Mat1i labels = tone::block_labels(b.cells, 1.0, count);
    benchmark::DoNotOptimize(
        tone::merge_parts(tone::graph_of(labels, count, b.cells, cv::Mat1b()), 2.5));
  }
  count_pixels(state, b.plate.proof);
}
BENCHMARK(merge)->Unit(benchmark::kMillisecond);

void next_proof(benchmark::State& state) {
  Bench& b = bench();
  tone::RegionMap map;
  map.grid = b.plate.grid;
  map.labels = cv::Mat1w(b.plate.proof.size(), static_cast<ushort>(1));
  plan::BitePlan plan;
  plan.regions.resize(1);
  plan.regions[0].region.id = 1;
  plan.regions[0].region.now.value = Density::of(0.3);
  plan.regions[0].predicted.value = Density::of(0.5);
  const jobs::NextTone next(plan, map);
  for (auto _ : state)
    benchmark::DoNotOptimize(
        jobs::next_proof_scan(b.pair.proof, *b.alignment.plate, map.grid, next));
  count_pixels(state, b.pair.proof.relative);
}
BENCHMARK(next_proof)->Unit(benchmark::kMillisecond)->UseRealTime();

// ---- what bounds them -------------------------------------------------------------------------

// Memory: a = b + k c over pictures that no cache holds, 12 bytes a pixel.
void triad(benchmark::State& state) {
  const cv::Mat1f b(5000, 7000, 1.0F), c(5000, 7000, 2.0F);
  cv::Mat1f a(5000, 7000, 0.0F);
  for (auto _ : state) {
    cv::parallel_for_(cv::Range(0, a.rows), [&](const cv::Range& rows) {
      for (int y = rows.start; y < rows.end; ++y) {
        const float *from = b[y], *other = c[y];
        float* to = a[y];
        for (int x = 0; x < a.cols; ++x) to[x] = from[x] + 0.5F * other[x];
      }
    });
    benchmark::ClobberMemory();
  }
  count_pixels(state, a);
  state.counters["GB/s"] = benchmark::Counter(12e-9 * static_cast<double>(a.total()),
                                              benchmark::Counter::kIsIterationInvariantRate);
}
BENCHMARK(triad)->Unit(benchmark::kMillisecond)->UseRealTime();

// Arithmetic: the dense part of a factor as the fit of a large plate has it at its top, one thread.
void dense_square(benchmark::State& state) {
  constexpr int n = 800, k = 256;
  const std::vector<double> a(std::size_t{n} * k, 0.01);
  std::vector<double> c(std::size_t{n} * n, 1.0);
  const auto vectors = state.range(0) ? align::Vectors::widest : align::Vectors::plain;
  for (auto _ : state) {
    align::subtract_square(c.data(), n, a.data(), n, n, k, 1, vectors);
    benchmark::ClobberMemory();
  }
  state.counters["GFlop/s"] =
      benchmark::Counter(1e-9 * n * n * k, benchmark::Counter::kIsIterationInvariantRate);
}
BENCHMARK(dense_square)->Arg(0)->Arg(1)->Unit(benchmark::kMillisecond);

}  // namespace

BENCHMARK_MAIN();
