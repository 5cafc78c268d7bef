#include "jobs/compare_proof.h"

#include <fmt/format.h>

#include <cmath>
#include <opencv2/imgproc.hpp>

#include "align/align_pair.h"
#include "align/plate_pair.h"
#include "files/files.h"
#include "scan/label_png.h"

namespace rebite::jobs {
namespace fs = std::filesystem;
namespace {

constexpr double border_mm = 1;
constexpr double least_area_mm2 = 4;  // of a region's inner part: less tells nothing
constexpr double least_sd = 0.01;     // density, of a mean over a region

struct Tone {
  double sum = 0;
  std::size_t count = 0;
};

// Mean reflectance of each label's inner part. Labels and proof are of one grid.
std::vector<Tone> tones_inside(const cv::Mat1w& labels,
                               double px_per_mm,
                               const align::PlatePair& pair) {
  double highest = 0;
  cv::minMaxLoc(labels, nullptr, &highest);
  std::vector<Tone> tones(static_cast<std::size_t>(highest) + 1);
  // Inner: no other label within the border (largest and smallest label around are equal), and
  // neither the plate's edge, where the bevel prints lighter than any bite.
  const int r = std::max(1, cvRound(border_mm * px_per_mm));
  const cv::Mat around = cv::getStructuringElement(cv::MORPH_RECT, {2 * r + 1, 2 * r + 1});
  cv::Mat1w low, high;
  cv::erode(labels, low, around, {-1, -1}, 1, cv::BORDER_CONSTANT, cv::Scalar(0));
  cv::dilate(labels, high, around);
  const cv::Mat1f& proof = pair.drawing;  // the second of the pair is the new proof
  for (int y = 0; y < labels.rows; ++y) {
    for (int x = 0; x < labels.cols; ++x) {
      const auto id = labels(y, x);
      if (id == 0 || low(y, x) != id || high(y, x) != id) continue;
      if (!std::isfinite(proof(y, x)) || pair.sigma_mm(y, x) > border_mm) continue;
      tones[id].sum += static_cast<double>(proof(y, x));
      ++tones[id].count;
    }
  }
  return tones;
}

// Empty and why: the scan is not where and what it was.
std::optional<std::string> not_as_recorded(const book::State& state) {
  if (state.proofs.empty()) return fmt::format("state {} has no proof in the book", state.number);
  const auto& scan = state.proofs.front();
  const fs::path file(scan.path);
  std::error_code error;
  if (!fs::is_regular_file(file, error)) {
    return fmt::format("the proof of state {} is gone ({})", state.number, files::shown(file));
  }
  if (files::sha256_of_file(file).value_or("") != scan.sha256) {
    return fmt::format(
        "{} is not the proof of state {} that was recorded", files::shown(file), state.number);
  }
  return {};
}

}  // namespace

ComparedProof compare_proof(const book::State& before,
                            const book::PlanRecord& plan,
                            const std::vector<book::Prediction>& predictions,
                            SizeMm plate,
                            const scan::DensityImage& proof,
                            const ScanChoice& read,
                            const Progress& progress) {
  ComparedProof out;
  const auto not_compared = [&](const std::string& why) {
    out.notes.push_back("Not compared with the plan before: " + why + ".");
    return out;
  };
  if (const auto why = not_as_recorded(before)) return not_compared(*why);
  const cv::Mat1w labels = scan::labels_from_png(plan.regions_png);
  const align::PlateGrid grid{plate, plan.px_per_mm};
  if (labels.empty() || plan.px_per_mm <= 0 || labels.cols != grid.cols() ||
      labels.rows != grid.rows()) {
    return not_compared("its region map is not in the book");
  }
  const auto old = load_scan(before.proofs.front().path, read, progress.part(0, 0.3));
  if (!old) return not_compared(old.error().what);
  align::AlignOptions options;
  options.plate = plate;
  options.allow_mirrored = false;
  const auto alignment = align::align_pair(*old, proof, options, progress.part(0.3, 0.9));
  if (!alignment) return not_compared(alignment.error().what);
  if (!alignment->plate) return not_compared("the plate mark of the proof before was not found");
  const auto pair = align::to_plate(*old, proof, *alignment, grid);

  const auto tones = tones_inside(labels, plan.px_per_mm, pair);
  const double least = least_area_mm2 * plan.px_per_mm * plan.px_per_mm;
  for (auto p : predictions) {
    const auto id = static_cast<std::size_t>(p.region);
    if (id >= tones.size() || static_cast<double>(tones[id].count) < least) continue;
    const double mean = tones[id].sum / static_cast<double>(tones[id].count);
    if (!(mean > 1e-4)) continue;
    p.reached = Density::of_reflectance(mean).value();
    // The same area was read before with this error: grain and wiping are of the same kind.
    p.reached_sd = std::max(least_sd, p.now_sd);
    out.reached.push_back(p);
  }
  return out;
}

}  // namespace rebite::jobs
