// Accuracy of the tone room over many plates: measure_tone [seeds] [first seed] [picture folder]
// [cache folder]
#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "scan/write_scan.h"
#include "tests/tone/compare.h"
#include "tests/tone/made_pair.h"

using namespace rebite;

namespace {

double quantile(std::vector<double> v, double q) {
  if (v.empty()) return 0;
  std::sort(v.begin(), v.end());
  return v[static_cast<std::size_t>(q * static_cast<double>(v.size() - 1))];
}

void save(const std::string& path, const cv::Mat& image) {
  std::ofstream file(path, std::ios::binary);
  const std::string bytes = scan::png_bytes(image);
  file.write(bytes.data(), static_cast<std::streamsize>(bytes.size()));
}

cv::Vec3b paint(double gap, tone::RegionKind kind) {
  const double t = std::clamp(std::abs(gap) / 0.5, 0.15, 1.0);
  const auto c = [](double v) { return static_cast<uchar>(std::clamp(v, 0.0, 255.0)); };
  if (kind == tone::RegionKind::line) return {c(20), c(160), c(20)};
  if (kind == tone::RegionKind::soft) {
    return gap > 0 ? cv::Vec3b{c(255), c(230 - 120 * t), c(60)} : cv::Vec3b{c(90), c(220), c(255)};
  }
  if (gap > 0) return {c(255), c(200 - 200 * t), c(200 - 200 * t)};
  return {c(200 - 200 * t), c(200 - 200 * t), c(255)};
}

// Proof, drawing, truth and found regions side by side, at 4 px/mm.
void picture(const std::string& path,
             const maker::Scene& scene,
             const align::PlatePair& pair,
             const tone::RegionMap& map) {
  const int h = scene.labels.rows, w = scene.labels.cols;
  cv::Mat3b out(2 * h + 8, 2 * w + 8, cv::Vec3b(255, 255, 255));
  const double s = pair.grid.px_per_mm / scene.px_per_mm;
  for (int r = 0; r < h; ++r) {
    for (int c = 0; c < w; ++c) {
      const int y = std::min(static_cast<int>((r + 0.5) * s), pair.proof.rows - 1);
      const int x = std::min(static_cast<int>((c + 0.5) * s), pair.proof.cols - 1);
      const auto grey = [](float v) {
        const auto g =
            static_cast<uchar>(std::clamp(255 * std::sqrt(std::max(v, 0.F)), 0.F, 255.F));
        return cv::Vec3b(g, g, g);
      };
      out(r, c) = grey(pair.proof(y, x));
      out(r, c + w + 8) = grey(pair.drawing(y, x));
      const float gap = scene.wanted_density(r, c) - scene.printed_density(r, c);
      if (std::abs(gap) > 0.02F) {
        out(r + h + 8, c) =
            paint(static_cast<double>(gap),
                  scene.labels(r, c) == 1 ? tone::RegionKind::soft : tone::RegionKind::area);
      }
      const int id = map.labels(y, x);
      cv::Vec3b colour(255, 255, 255);
      for (const tone::Region& g : map.regions) {
        if (g.id == id) colour = paint(g.gap.value(), g.kind);
      }
      const bool edge = (x + 2 < map.labels.cols && map.labels(y, x + 2) != id) ||
                        (y + 2 < map.labels.rows && map.labels(y + 2, x) != id);
      out(r + h + 8, c + w + 8) = edge ? cv::Vec3b(0, 0, 0) : colour;
    }
  }
  save(path, out);
}

// Pairs take longer to make than to read: with a cache folder they are kept from run to run.
void put(std::ofstream& f, const cv::Mat& m) {
  const int head[3] = {m.rows, m.cols, m.type()};
  f.write(reinterpret_cast<const char*>(head), sizeof head);
  f.write(reinterpret_cast<const char*>(m.data),
          static_cast<std::streamsize>(m.total() * m.elemSize()));
}

cv::Mat take(std::ifstream& f) {
  int head[3];
  f.read(reinterpret_cast<char*>(head), sizeof head);
  cv::Mat m(head[0], head[1], head[2]);
  f.read(reinterpret_cast<char*>(m.data), static_cast<std::streamsize>(m.total() * m.elemSize()));
  return m;
}

template <class Make>
align::PlatePair cached(const std::string& folder, const std::string& name, Make make) {
  if (folder.empty()) return make();
  const std::string path = folder + "/" + name;
  if (std::ifstream f{path, std::ios::binary}) {
    align::PlatePair pair;
    f.read(reinterpret_cast<char*>(&pair.grid), sizeof pair.grid);
    pair.proof = take(f);
    pair.drawing = take(f);
    pair.tile_class = take(f);
    pair.sigma_mm = take(f);
    return pair;
  }
  const align::PlatePair pair = make();
  std::filesystem::create_directories(folder);
  std::ofstream f(path, std::ios::binary);
  f.write(reinterpret_cast<const char*>(&pair.grid), sizeof pair.grid);
  for (const cv::Mat& m : {cv::Mat(pair.proof),
                           cv::Mat(pair.drawing),
                           cv::Mat(pair.tile_class),
                           cv::Mat(pair.sigma_mm)}) {
    put(f, m);
  }
  return pair;
}

struct Totals {
  int areas = 0, right = 0, soft_areas = 0, soft_right = 0;
  std::vector<double> false_share, border, missed, seconds, regions, z, error, pure_error;
  int covered = 0, gaps = 0;
};

}  // namespace

int main(int argc, char** argv) {
  const int seeds = argc > 1 ? std::atoi(argv[1]) : 100;
  const int first = argc > 2 ? std::atoi(argv[2]) : 1;
  const std::string folder = argc > 3 ? argv[3] : "";
  const std::string cache = argc > 4 ? argv[4] : "";
  Totals t;
  std::vector<double> wiping_false;
  for (int seed = first; seed < first + seeds; ++seed) {
    const auto s = static_cast<std::uint64_t>(seed);
    const maker::Scene scene = maker::make_scene(s);
    const align::PlatePair pair =
        cached(cache, fmt::format("pair{}", seed), [&] { return maker::made_pair(scene, s); });
    const auto start = std::chrono::steady_clock::now();
    const auto map = tone::find_regions(pair, {});
    const double took =
        std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
    if (!map) {
      fmt::print("seed {}: {}\n", seed, map.error().what);
      continue;
    }
    const maker::Verdict v = maker::judge(scene, *map);
    fmt::print(stderr,
               "seed {} regions {} lines {} softs {} false {:.4f} border90 {:.2f} missed90 {:.2f} "
               "noise {:.4f} "
               "offset {:+.3f} gain {:.3f} fitted {:.2f}  {:.2f} s\n",
               seed,
               v.regions,
               v.lines,
               v.softs,
               v.false_share,
               quantile(v.border_mm, 0.9),
               quantile(v.missed_mm, 0.9),
               map->inking.noise_density,
               map->inking.offset_density,
               map->inking.gain,
               map->inking.fitted_share,
               took);
    for (const auto& a : v.areas) {
      (a.soft ? t.soft_areas : t.areas) += 1;
      (a.soft ? t.soft_right : t.right) += a.right() ? 1 : 0;
      if (!a.right()) {
        fmt::print(
            stderr,
            "    wrong: label {} area {:.0f} across {:.1f} gap {:+.3f} soft {} right {:.2f}\n",
            a.label,
            a.area_mm2,
            a.across_mm,
            a.gap,
            a.soft,
            a.right_share);
      }
    }
    for (const auto& g : v.gaps) {
      if (seeds <= 5) {
        fmt::print(stderr,
                   "    region of {:.0f} mm2, kind {}: found {:+.3f} truth {:+.3f} sd {:.3f}\n",
                   g.area,
                   static_cast<int>(g.kind),
                   g.found,
                   g.truth,
                   g.sd);
      }
      if (g.kind == tone::RegionKind::line || g.area < 30) continue;
      const double e = g.found - g.truth;
      t.error.push_back(e * e);
      if (g.pure) t.pure_error.push_back(e * e);
      t.z.push_back(std::abs(e) / g.sd);
      t.covered += std::abs(e) < 1.645 * g.sd ? 1 : 0;
      ++t.gaps;
    }
    t.false_share.push_back(v.false_share);
    t.border.insert(t.border.end(), v.border_mm.begin(), v.border_mm.end());
    t.missed.insert(t.missed.end(), v.missed_mm.begin(), v.missed_mm.end());
    t.seconds.push_back(took);
    t.regions.push_back(v.regions);
    if (!folder.empty()) {
      std::filesystem::create_directories(folder);
      picture(fmt::format("{}/seed{}.png", folder, seed), scene, pair, *map);
    }
    if (seed % 4 == 0) {
      const align::PlatePair same = cached(cache, fmt::format("same{}", seed), [&] {
        return maker::wiping_only_pair(scene.plate, s);
      });
      const auto none = tone::find_regions(same, {});
      double n = 0;
      if (none)
        n = static_cast<double>(cv::countNonZero(none->labels)) /
            static_cast<double>(none->labels.total());
      wiping_false.push_back(none ? n : 1);
      if (n > 0) fmt::print(stderr, "    wiping only: {:.4f} of the plate\n", n);
    }
  }
  const auto mean = [](const std::vector<double>& v) {
    double s = 0;
    for (const double x : v) s += x;
    return v.empty() ? 0 : s / static_cast<double>(v.size());
  };
  const auto within = [](const std::vector<double>& v, double limit) {
    double n = 0;
    for (const double x : v) n += x <= limit ? 1 : 0;
    return v.empty() ? 0 : n / static_cast<double>(v.size());
  };
  const auto percent = [](double n, double all) { return all > 0 ? 100 * n / all : 0.0; };
  fmt::print("| figure over {} plates of 150 x 110 mm | value |\n|---|---|\n", seeds);
  fmt::print("| areas > 30 mm2, gap > 0.08 D: action right | {} of {} ({:.1f} %) |\n",
             t.right,
             t.areas,
             percent(t.right, t.areas));
  fmt::print("| soft passages with the right sign | {} of {} |\n", t.soft_right, t.soft_areas);
  fmt::print(
      "| false work, share of the plate: mean, 90 %, worst | {:.2f} %, {:.2f} %, {:.2f} % |\n",
      100 * mean(t.false_share),
      100 * quantile(t.false_share, 0.9),
      100 * quantile(t.false_share, 1));
  fmt::print("| plates with false work below 1 % | {:.0f} % |\n",
             100 * within(t.false_share, 0.01));
  fmt::print(
      "| found border to true border: median, 90 %, within 0.5 mm | {:.2f} mm, {:.2f} mm, "
      "{:.1f} % |\n",
      quantile(t.border, 0.5),
      quantile(t.border, 0.9),
      100 * within(t.border, 0.5));
  fmt::print(
      "| true border to found border: median, 90 %, within 0.5 mm | {:.2f} mm, {:.2f} mm, "
      "{:.1f} % |\n",
      quantile(t.missed, 0.5),
      quantile(t.missed, 0.9),
      100 * within(t.missed, 0.5));
  fmt::print("| gap rms error (regions > 30 mm2) | {:.4f} D |\n", std::sqrt(mean(t.error)));
  fmt::print("| gap rms error (those of one true area) | {:.4f} D |\n",
             std::sqrt(mean(t.pure_error)));
  fmt::print(
      "| truth within 1.645 gap_sd | {:.1f} % of {} |\n", percent(t.covered, t.gaps), t.gaps);
  fmt::print("| regions: median, most | {:.0f}, {:.0f} |\n",
             quantile(t.regions, 0.5),
             quantile(t.regions, 1));
  fmt::print("| wiping-only pairs with nothing to do | {:.0f} of {} |\n",
             within(wiping_false, 0) * static_cast<double>(wiping_false.size()),
             wiping_false.size());
  fmt::print("| seconds, median | {:.2f} |\n", quantile(t.seconds, 0.5));
  return 0;
}
