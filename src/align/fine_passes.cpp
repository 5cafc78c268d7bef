#include "align/fine_passes.h"

#include <algorithm>
#include <cmath>

#include "align/coarse_start.h"
#include "align/patch_data.h"
#include "align/render.h"

namespace rebite::align {
namespace {

constexpr double kDpi = 1 / 25.4;
constexpr double kFormBlur = 0.3, kFormSigma = 5;   // mm
constexpr int kRefinements = 3;

struct Pass {
  double dpi, patch_mm, step_mm, reach_mm;
  double sigma_mm;          // of the local normalisation
  bool form;                // lines and tone edges instead of grain
  double least_rho, least_z;
};

// alignment.md, section 7.5; measured there and again here.
constexpr Pass kForm{75, 16, 8, 2.5, kFormSigma, true, 0.15, 3.0};
constexpr Pass kGrain75{75, 16, 8, 2.5, 2.0, false, 0.12, 4.0};
constexpr Pass kGrain150Wide{150, 14, 7, 1.0, 1.6, false, 0.12, 4.5};
constexpr Pass kGrain150{150, 6, 4, 0.6, 1.6, false, 0.12, 4.5};
constexpr Pass kGrain300{300, 4.2, 3, 0.3, 1.0, false, 0.10, 4.5};

class Measuring {
 public:
  Measuring(ScanLevels& proof, ScanLevels& drawing, SplineFit& system, int threads)
      : proof_(proof), drawing_(drawing), system_(system), threads_(threads) {
    // Small plates are worked at finer levels with smaller patches (the same number of pixels).
    unit_ = std::clamp(75 * kDpi / coarse_px_per_mm(proof, drawing), 0.25, 1.0);
    finest_ = std::min({proof.finest(), drawing.finest(), 300 * kDpi});
  }

  SmoothMap map;
  FineResult result;

  // One pass under the current map. Matches go to `data` with their set number.
  PassRecord measure(const Pass& pass, int set, std::vector<Measured>& data) {
    open(pass);
    render();
    matches_ = match_patches(*proof_picture_, seen_, usable_, rule_, box_, threads_);
    PassRecord record;
    record.px_per_mm = px_;
    record.patch_mm = rule_.side_px / px_;
    record.tried = static_cast<int>(matches_.size());
    data.clear();
    append(set, data);
    record.matched = static_cast<int>(data.size());
    return record;
  }

  // Measures the accepted matches of the last pass again under the map as it is now.
  void measure_again(int set, std::vector<Measured>& data) {
    render();
    refine_matches(*proof_picture_, seen_, rule_, matches_, threads_);
    std::vector<double> weights;
    for (const Measured& m : data) weights.push_back(m.weight);
    std::vector<Measured> again;
    std::size_t k = 0;   // data holds what was accepted before, in the same order
    for (std::size_t i = 0; i < matches_.size(); ++i) {
      if (!was_accepted_[i]) continue;
      if (matches_[i].accepted) {
        again.push_back(measured(matches_[i], px_, map, rule_, set));
        again.back().weight = weights[k];
      }
      ++k;
    }
    data = std::move(again);
    note_accepted();
  }

  void fit(std::vector<Measured>& data, const RobustRule& rule) {
    result.fit = fit_robustly(system_, data, rule);
    map.stiff = result.fit.answer.stiff;
    map.fine = result.fit.answer.fine;
  }

 private:
  void open(const Pass& pass) {
    px_ = std::min(finest_, pass.dpi * kDpi / unit_);
    const Level* p = nullptr;
    if (pass.form) {
      p = &proof_.with_form(px_, kFormBlur * unit_, pass.sigma_mm * unit_);
      drawing_level_ = &drawing_.with_form(px_, kFormBlur * unit_, pass.sigma_mm * unit_);
      proof_picture_ = &p->form;
      drawing_picture_ = &drawing_level_->form;
    } else {
      p = &proof_.with_grain(px_, pass.sigma_mm * unit_);
      drawing_level_ = &drawing_.with_grain(px_, pass.sigma_mm * unit_);
      proof_picture_ = &p->grain;
      drawing_picture_ = &drawing_level_->grain;
    }
    proof_area_ = proof_.picture(px_);
    drawing_area_ = drawing_.picture(px_);
    box_ = pixel_box(proof_area_.box_mm, px_);
    rule_ = PatchRule{};
    rule_.side_px = odd_pixels(std::max(pass.patch_mm * unit_ * px_, 31.0));
    rule_.step_px =
        std::max(1, static_cast<int>(std::lround(rule_.side_px * pass.step_mm / pass.patch_mm)));
    rule_.reach_px = std::max(6, static_cast<int>(std::lround(pass.reach_mm * unit_ * px_)));
    rule_.least_rho = pass.least_rho;
    rule_.least_z = pass.least_z;
  }

  void render() {
    const cv::Size size = proof_picture_->size();
    seen_ = render_on_proof({*drawing_picture_, drawing_level_->px_per_mm}, map, px_, size,
                            threads_);
    usable_ = mask_on_proof(drawing_area_.mask, drawing_level_->px_per_mm, map, px_, size);
    cv::bitwise_and(usable_, proof_area_.mask, usable_);
  }

  void append(int set, std::vector<Measured>& data) {
    for (const PatchMatch& m : matches_)
      if (m.accepted) data.push_back(measured(m, px_, map, rule_, set));
    note_accepted();
  }

  void note_accepted() {
    was_accepted_.assign(matches_.size(), false);
    for (std::size_t i = 0; i < matches_.size(); ++i) was_accepted_[i] = matches_[i].accepted;
  }

  ScanLevels &proof_, &drawing_;
  SplineFit& system_;
  int threads_;
  double unit_ = 1, finest_ = 1, px_ = 1;
  const Level* drawing_level_ = nullptr;
  const cv::Mat1f *proof_picture_ = nullptr, *drawing_picture_ = nullptr;
  PictureArea proof_area_, drawing_area_;
  cv::Rect box_;
  PatchRule rule_;
  cv::Mat1f seen_;
  cv::Mat1b usable_;
  std::vector<PatchMatch> matches_;
  std::vector<bool> was_accepted_;
};

bool enough(const PassRecord& record, double share) {
  return record.matched >= 12 && record.share() >= share;
}

// Whether the fit left enough of the matches standing for its map to be better than the last.
int agreeing(const std::vector<Measured>& data) {
  return static_cast<int>(
      std::count_if(data.begin(), data.end(), [](const Measured& m) { return m.weight > 0.5; }));
}

void append_set(std::vector<Measured>& pool, const std::vector<Measured>& data) {
  pool.insert(pool.end(), data.begin(), data.end());
}

}  // namespace

FineResult measure_finely(ScanLevels& proof, ScanLevels& drawing, const SmoothMap& start,
                          SplineFit& system, int threads) {
  Measuring work(proof, drawing, system, threads);
  FineResult& result = work.result;
  work.map = start;
  std::vector<Measured> data, form, wide, pool;

  RobustRule stiff;
  stiff.prior = {300, 0.01};
  PassRecord record = work.measure(kForm, 0, form);
  result.passes.push_back(record);
  PassRecord grain = work.measure(kGrain75, 0, data);
  result.passes.push_back(grain);
  std::vector<Measured>& better = grain.matched > record.matched ? data : form;
  if (better.size() >= 12) {
    work.fit(better, stiff);
    pool = better;
  }
  record = work.measure(kGrain150Wide, 1, wide);
  result.passes.push_back(record);
  const bool line_work = !enough(record, 0.5);
  if (enough(record, 0.15)) {
    RobustRule rule = stiff;
    if (line_work) {
      // Few places match: what lines and edges of tone say at 75 dpi counts too.
      record = work.measure(kForm, 0, form);
      pool = form;
      append_set(pool, wide);
    } else {
      pool = wide;
      for (Measured& m : pool) m.set = 0;
    }
    rule.prior = {100, 0.02};
    work.fit(pool, rule);
  }
  record = work.measure(kGrain150, line_work ? 2 : 0, data);
  result.passes.push_back(record);
  if (enough(record, line_work ? 0.03 : 0.1)) {
    if (line_work) {
      append_set(pool, data);
    } else {
      pool = data;
    }
    RobustRule rule;
    rule.prior = {30, 0.02};
    rule.choose_prior = line_work;
    work.fit(pool, rule);
  } else if (!pool.empty()) {
    RobustRule rule = stiff;
    rule.choose_prior = true;
    work.fit(pool, rule);
  }
  if (!line_work || enough(record, 0.15)) {
    record = work.measure(kGrain300, 0, data);
    result.passes.push_back(record);
    if (enough(record, 0.15)) {
      RobustRule rule;
      rule.prior = {100, 0.01};
      rule.choose_prior = true;
      work.fit(data, rule);
      for (int k = 0; k < kRefinements; ++k) {
        work.measure_again(0, data);
        rule.prior = result.fit.prior;
        rule.keep_weights = true;
        rule.choose_prior = k + 1 == kRefinements;
        work.fit(data, rule);
      }
      pool = data;
      result.grain = true;
    }
  }
  result.data = std::move(pool);
  result.map = work.map;
  result.passes.back().agreeing = agreeing(result.data);
  return std::move(result);
}

}  // namespace rebite::align
