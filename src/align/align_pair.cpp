#include "align/align_pair.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "align/coarse_start.h"
#include "align/fine_passes.h"
#include "align/plate_mark.h"
#include "align/scan_levels.h"
#include "align/self_check.h"
#include "align/spline_warp.h"
#include "align/tiles.h"

namespace rebite::align {
namespace {

constexpr double kRefuse = 0.15, kDoubt = 0.35;  // alignment.md, section 4

constexpr double kErrorFloor = 0.002;  // mm; alignment.md, section 5

// Finer control where plates are small; at most some 2500 cells on large ones.
double fine_spacing(const cv::Rect2d& area) {
  return std::clamp(std::sqrt(area.area() / 2500), std::min(9.0, std::sqrt(area.area()) / 6), 1e9);
}

// Rotation and scale of the map as a whole, from its mean slope over the plate.
void describe_shape(Alignment& result,
                    const SmoothMap& map,
                    const cv::Rect2d& area,
                    double rescaled) {
  const cv::Point2d c = (area.tl() + area.br()) / 2;
  const cv::Point2d dx(0.4 * area.width, 0), dy(0, 0.4 * area.height);
  const cv::Point2d u = (map.forward(c + dx) - map.forward(c - dx)) / (2 * dx.x);
  const cv::Point2d v = (map.forward(c + dy) - map.forward(c - dy)) / (2 * dy.y);
  const MapShape shape = shape_of({u.x, v.x, u.y, v.y});
  result.mirrored = shape.mirrored;
  result.rotation_deg = shape.rotation_deg;
  result.scale_x = shape.scale_x / rescaled;
  result.scale_y = shape.scale_y / rescaled;
}

}  // namespace

Result<Alignment> align_pair(const scan::DensityImage& proof,
                             const scan::DensityImage& drawing,
                             const AlignOptions& options,
                             const Progress& progress) {
  const int threads = std::clamp(options.threads, 1, 64);
  const std::string proof_name = proof.info.file.filename().string();
  const std::string drawing_name = drawing.info.file.filename().string();
  ScanLevels a(proof, threads), b(drawing, threads);
  progress.at(0.05, "looking for the plate mark");
  Alignment result;
  if (a.outline()) {
    auto mark = oriented_mark(*a.outline(), {a.scale(), a.real_scale()}, options.plate, proof_name);
    if (!mark) return std::unexpected(mark.error());
    result.plate = *mark;
  }
  progress.at(0.2, "finding how the drawing lies on the proof");
  CoarseStart start = find_start(a, b, threads);
  if (start.best.share < kRefuse)
    return refuse(
        ProblemKind::data,
        fmt::format("{} and {} do not look like the same plate: {:.0f} % of places agree, "
                    "{:.0f} % are needed",
                    proof_name,
                    drawing_name,
                    100 * start.best.share,
                    100 * kRefuse),
        "Check that both scans show the same plate, or align by hand with --pins.");
  result.mirrored = start.mirrored;
  result.agreement = start.best.share;
  result.doubtful = start.best.share < kDoubt;
  progress.at(0.4, "matching the grain");
  const PictureArea area = a.picture(coarse_px_per_mm(a, b));
  SplineFit system(area.box_mm, fine_spacing(area.box_mm), 2, threads);
  const FineResult fine = measure_finely(a, b, start.best.map, system, threads);
  result.warp = std::make_shared<SplineWarp>(fine.map, a.scale(), b.scale());
  describe_shape(result, fine.map, area.box_mm, b.rescaled());
  progress.at(0.85, "checking against patches that were left out");
  const SelfCheck check =
      blocked_cross_validation(system, fine.data, fine.fit, RobustRule{}.floor_mm);
  system.solve(as_fit_data(fine.data, fine.fit.set_scale, RobustRule{}.floor_mm), fine.fit.prior);
  const SigmaMap sigma(system, area.box_mm, 10, check.inflation, kErrorFloor);
  result.tiles = make_tiles(area.box_mm, a.scale(), fine.data, sigma, {});
  std::vector<double> sigmas;
  for (const Tile& t : result.tiles)
    if (t.kind != TileClass::unseen) sigmas.push_back(t.sigma_mm);
  if (a.real_scale() && b.real_scale()) result.error = error_over(sigmas);
  if (!result.plate && options.plate)
    result.plate =
        assumed_mark((area.box_mm.tl() + area.box_mm.br()) / 2, *options.plate, a.scale());
  result.confidence = std::clamp((start.best.share - kRefuse) / 0.35, 0.0, 1.0);
  for (const PassRecord& p : fine.passes)
    result.notes.push_back(fmt::format(
        "pass {:.1f} px/mm {:.1f} mm: tried {} matched {} agree {}; bending {:.0f} fine {:.4f}",
        p.px_per_mm,
        p.patch_mm,
        p.tried,
        p.matched,
        p.agreeing,
        fine.fit.prior.bending,
        fine.fit.prior.fine_sd));
  return result;
}

}  // namespace rebite::align
