#include "align/agreement_test.h"

#include <algorithm>
#include <cmath>

#include "align/patch_data.h"
#include "align/render.h"
#include "align/robust_fit.h"

namespace rebite::align {
namespace {

// Patches without structure in either scan say nothing; but at least this share of all patches
// counts as tried, so that a few lucky ones on a bare sheet cannot make a share.
constexpr double kLeastTried = 0.3;
constexpr int kLeastAgreeing = 8;

}  // namespace

Agreement test_agreement(const CoarseView& proof,
                         const CoarseView& drawing,
                         const SmoothMap& guess,
                         const CoarseRule& rule,
                         int threads) {
  Agreement result;
  result.map = guess;
  const double px = proof.px_per_mm;
  const cv::Size size = proof.picture.size();
  const cv::Mat1f seen =
      render_on_proof({drawing.picture, drawing.px_per_mm}, guess, px, size, threads);
  cv::Mat1b usable = mask_on_proof(drawing.area.mask, drawing.px_per_mm, guess, px, size, threads);
  cv::bitwise_and(usable, proof.area.mask, usable);
  PatchRule patches;
  patches.side_px = odd_pixels(rule.patch_mm * px);
  patches.step_px = std::max(1, static_cast<int>(std::lround(rule.step_mm * px)));
  patches.reach_px = std::max(6, static_cast<int>(std::lround(rule.reach_mm * px)));
  patches.least_rho = rule.least_rho;
  patches.least_z = rule.least_z;
  patches.pull = rule.pull;
  const std::vector<PatchMatch> matches = match_patches(
      proof.picture, seen, usable, patches, pixel_box(proof.area.box_mm, px), threads);
  std::vector<Measured> data;
  double structured = 0;
  for (const PatchMatch& m : matches) {
    structured += m.structured ? 1 : 0;
    if (m.accepted) data.push_back(measured(m, px, guess, patches, 0));
  }
  result.tried =
      static_cast<int>(std::max(structured, kLeastTried * static_cast<double>(matches.size())));
  if (static_cast<int>(data.size()) < kLeastAgreeing) return result;
  // Matches count alike, as within the tolerance, but a lone line only across itself.
  const double sd = rule.tolerance_mm / 3;
  for (Measured& m : data) m.covariance = m.covariance * 4 + cv::Matx22d::eye() * (sd * sd);
  SplineFit system(
      proof.area.box_mm, 0.5 * std::max(36.0, 0.3 * proof.area.box_mm.width), 2, threads);
  RobustRule stiff;
  stiff.prior = {300, 1e-4};
  stiff.fixed_scale = true;
  stiff.start_width = 12;
  const RobustFit fit = fit_robustly(system, data, stiff);
  result.map.stiff = fit.answer.stiff;
  double agreeing = 0;
  for (const Measured& m : data) {
    const cv::Vec2d e = m.shift - fit.answer.stiff.at(m.at);
    if ((m.covariance.inv() * e).dot(e) < 9) agreeing += 0.5 * m.directions;
  }
  result.agreeing = static_cast<int>(agreeing);
  if (result.agreeing >= kLeastAgreeing) result.share = agreeing / std::max(1, result.tried);
  return result;
}

}  // namespace rebite::align
