#include "align/fine_passes.h"

#include <algorithm>
#include <cmath>

#include "align/coarse_start.h"
#include "align/patch_data.h"
#include "align/render.h"

namespace rebite::align {
namespace {

constexpr double kDpi = 1 / 25.4;

struct Pass {
  double dpi, patch_mm, step_mm, reach_mm, sigma_mm;
  double least_rho, least_z;
  double bending, fine_sd;  // prior while passing
};

// alignment.md, section 7.5; measured there and again here.
constexpr Pass kPasses[] = {
    {75, 16, 8, 2.5, 3.5, 0.15, 4.0, 300, 0.05},
    {150, 14, 7, 1.0, 1.6, 0.12, 4.5, 100, 0.05},
    {150, 6, 4, 0.6, 1.6, 0.12, 4.5, 30, 0.05},
    {300, 4.2, 3, 0.3, 1.0, 0.10, 4.5, 30, 0.05},
};

class Passes {
 public:
  Passes(ScanLevels& proof, ScanLevels& drawing, SplineFit& system, int threads)
      : proof_(proof), drawing_(drawing), system_(system), threads_(threads) {
    // Small plates are worked at finer levels with smaller patches (the same number of pixels).
    unit_ = std::max(0.25, 75 * kDpi / coarse_px_per_mm(proof, drawing));
    unit_ = std::min(unit_, 1.0);
    finest_ = std::min({proof.finest(), drawing.finest(), 300 * kDpi});
  }

  // Matches of one pass under the map; sets pass record.
  std::vector<Measured> measure(const Pass& pass,
                                const SmoothMap& map,
                                int set,
                                PassRecord& record) {
    const double px = std::min(finest_, pass.dpi * kDpi / unit_);
    const Level& p = proof_.level(px, pass.sigma_mm * unit_);
    const Level& d = drawing_.level(px, pass.sigma_mm * unit_);
    const PictureArea proof_area = proof_.picture(px), drawing_area = drawing_.picture(px);
    const cv::Mat1f seen =
        render_on_proof({d.grain, d.px_per_mm}, map, px, p.density.size(), threads_);
    cv::Mat1b usable = mask_on_proof(drawing_area.mask, d.px_per_mm, map, px, p.density.size());
    cv::bitwise_and(usable, proof_area.mask, usable);
    PatchRule rule;
    rule.side_px = odd_pixels(std::max(pass.patch_mm * unit_ * px, 31.0));
    rule.step_px =
        std::max(1, static_cast<int>(std::lround(rule.side_px * pass.step_mm / pass.patch_mm)));
    rule.reach_px = std::max(6, static_cast<int>(std::lround(pass.reach_mm * unit_ * px)));
    rule.least_rho = pass.least_rho;
    rule.least_z = pass.least_z;
    const auto matches =
        match_patches(p.grain, seen, usable, rule, pixel_box(proof_area.box_mm, px), threads_);
    record.px_per_mm = px;
    record.patch_mm = rule.side_px / px;
    std::vector<Measured> data;
    for (const PatchMatch& m : matches) {
      record.tried += 1;
      if (!m.accepted) continue;
      record.matched += 1;
      data.push_back(measured(m, px, map, rule, set));
    }
    return data;
  }

  double finest() const { return finest_; }
  double unit() const { return unit_; }

 private:
  ScanLevels &proof_, &drawing_;
  SplineFit& system_;
  int threads_;
  double unit_, finest_;
};

void count_agreeing(PassRecord& record, const std::vector<Measured>& data) {
  for (const Measured& m : data) record.agreeing += m.weight > 0.5 ? 1 : 0;
}

}  // namespace

FineResult measure_finely(ScanLevels& proof,
                          ScanLevels& drawing,
                          const SmoothMap& start,
                          SplineFit& system,
                          int threads) {
  FineResult result;
  result.map = start;
  Passes passes(proof, drawing, system, threads);
  std::vector<Measured> pooled;  // of the sets that stay in the final fit
  for (const Pass& pass : kPasses) {
    PassRecord record;
    const int set = 0;
    std::vector<Measured> data = passes.measure(pass, result.map, set, record);
    const bool enough = data.size() >= 12 && record.share() > 0.15;
    if (enough) {
      RobustRule rule;
      rule.prior = {pass.bending, pass.fine_sd};
      rule.choose_prior = true;
      result.fit = fit_robustly(system, data, rule);
      result.map.stiff = result.fit.answer.stiff;
      result.map.fine = result.fit.answer.fine;
      result.data = data;
      count_agreeing(record, data);
    }
    result.passes.push_back(record);
    if (!enough) break;
    result.grain = pass.patch_mm < 5;
  }
  return result;
}

}  // namespace rebite::align
