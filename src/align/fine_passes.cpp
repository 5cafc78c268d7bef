#include "align/fine_passes.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "align/coarse_start.h"
#include "align/edge_data.h"
#include "align/patch_data.h"
#include "align/render.h"

namespace rebite::align {
namespace {

constexpr double kDpi = 1 / 25.4;
constexpr double kFormBlur = 0.2, kFormSigma = 5;  // mm
// Each takes some two thirds of what is left of a shift.
constexpr int kRefinements = 3;
constexpr double kWorthGrain = 0.2;     // share of matches below which grain is not gone into
constexpr EdgeRule kRim{1.5, 1, true};  // where the plate's edge may lie once grain is matched

struct Pass {
  double dpi, patch_mm, step_mm, reach_mm;
  double sigma_mm;  // of the local normalisation
  bool form;        // lines and tone edges instead of grain
  bool last;        // no other level is looked at afterwards
  double least_rho, least_z;
};

// alignment.md, section 7.5; measured there and again here. The last pass is normalised over 0.3
// mm, three grains: over 1 mm an edge of tone outweighs the grain beside it, and a wash that ends
// along it draws the match by 0.005 mm.
constexpr Pass kForm{75, 14, 7, 2.5, kFormSigma, true, false, 0.3, 1.0};
constexpr Pass kForm150{150, 6, 3, 1.0, 3, true, false, 0.4, 1.0};
constexpr Pass kGrain75{75, 16, 8, 2.5, 2.0, false, false, 0.12, 4.0};
constexpr Pass kGrain150Wide{150, 14, 7, 1.0, 1.6, false, false, 0.12, 4.5};
constexpr Pass kGrain150{150, 6, 4, 0.6, 1.6, false, false, 0.12, 4.5};
constexpr Pass kGrain300{300, 4.2, 3, 0.3, 0.3, false, true, 0.10, 4.5};

void append_set(std::vector<Measured>& pool, const std::vector<Measured>& data) {
  pool.insert(pool.end(), data.begin(), data.end());
}

class Measuring {
 public:
  Measuring(ScanLevels& proof,
            ScanLevels& drawing,
            SplineFit& system,
            int threads,
            const Progress& progress)
      : progress_(progress),
        proof_(proof),
        drawing_(drawing),
        system_(system),
        rough_(system.area(), rough_spacing(system), 2, threads),
        threads_(threads) {
    // Small plates are worked at finer levels with smaller patches (the same number of pixels).
    unit_ = std::clamp(75 * kDpi / coarse_px_per_mm(proof, drawing), 0.25, 1.0);
    finest_ = std::min({proof.finest(), drawing.finest(), 300 * kDpi});
  }

  // So much of the whole is done, where grain is shared; true: the user wants to stop.
  bool reached(double fraction) const {
    progress_.at(fraction, "matching the grain");
    return progress_.stopped();
  }

  bool scaled() const { return proof_.real_scale() && drawing_.real_scale(); }

  SmoothMap map;
  std::vector<Measured> pins;
  std::vector<Measured> rim;  // places on the plate's edge that count in every fit
  FineResult result;

  // One pass under the current map. Matches go to `data` with their set number.
  PassRecord measure(const Pass& pass, int set, std::vector<Measured>& data) {
    open(pass);
    render();
    const cv::Size size = proof_picture_->size();
    cv::Mat1b usable =
        mask_on_proof(drawing_area_.mask, drawing_level_->px_per_mm, map, px_, size, threads_);
    cv::bitwise_and(usable, proof_area_.mask, usable);
    matches_ = match_patches(*proof_picture_, seen_, usable, rule_, box_, threads_);
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
    std::size_t k = 0;  // data holds what was accepted before, in the same order
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

  // The plate's edge on both scans under the map as it is now.
  std::vector<Measured> edges(const EdgeRule& edge_rule) {
    if (!proof_.outline() || !drawing_.outline()) return {};
    return measure_edges(*proof_.outline(), *drawing_.outline(), map, edge_rule);
  }

  void fit(std::vector<Measured>& data, const RobustRule& rule) { fit(system_, data, rule); }
  // On twice as wide a grid, eight times as fast: good enough to start the next pass from.
  void fit_roughly(std::vector<Measured>& data, const RobustRule& rule) { fit(rough_, data, rule); }

 private:
  void fit(SplineFit& system, std::vector<Measured>& data, const RobustRule& rule) {
    std::vector<Measured> all = data;
    append_set(all, rim);
    append_set(all, pins);
    result.fit = fit_robustly(system, all, rule, &rough_);
    std::copy_n(all.begin(), data.size(), data.begin());
    std::copy_n(all.begin() + std::ssize(data), rim.size(), rim.begin());
    result.floor_mm = rule.floor_mm;
    map.stiff = result.fit.answer.stiff;
    map.fine = result.fit.answer.fine;
  }

  // Twice as wide, but never fewer than some 12 cells along a side.
  static double rough_spacing(const SplineFit& system) {
    const double side = std::sqrt(system.area().area());
    return std::max(system.spacing(), std::min(2 * system.spacing(), side / 12));
  }

  void open(const Pass& pass) {
    px_ = std::min(finest_, pass.dpi * kDpi / unit_);
    if (pass.last) seen_.release();
    const Level* p = nullptr;
    if (pass.form) {
      p = &proof_.with_form(px_, kFormBlur * unit_, pass.sigma_mm * unit_);
      drawing_level_ = &drawing_.with_form(px_, kFormBlur * unit_, pass.sigma_mm * unit_);
      proof_picture_ = &p->form;
      drawing_picture_ = &drawing_level_->form;
    } else {
      if (pass.last) drawing_.keep_only(px_);  // before the proof's is made: the peak is here
      const auto grain = pass.last ? &ScanLevels::with_only_grain : &ScanLevels::with_grain;
      p = &(proof_.*grain)(px_, pass.sigma_mm * unit_);
      drawing_level_ = &(drawing_.*grain)(px_, pass.sigma_mm * unit_);
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
    rule_.pull = pass.form ? 0.05 : 0;
  }

  void render() {
    seen_ = render_on_proof(
        {*drawing_picture_, drawing_level_->px_per_mm}, map, px_, proof_picture_->size(), threads_);
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

  const Progress& progress_;
  ScanLevels &proof_, &drawing_;
  SplineFit& system_;
  SplineFit rough_;
  int threads_;
  double unit_ = 1, finest_ = 1, px_ = 1;
  const Level* drawing_level_ = nullptr;
  const cv::Mat1f *proof_picture_ = nullptr, *drawing_picture_ = nullptr;
  PictureArea proof_area_, drawing_area_;
  cv::Rect box_;
  PatchRule rule_;
  cv::Mat1f seen_;
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

// A patch of grain is known in all directions alike, a patch that holds a stroke best across it.
// Median ratio of the smaller to the larger variance of the 6 mm patches: 0.70 to 0.78 on made
// proofs with and without opaque paint, 0.16 to 0.32 on drawings with 60 strokes (which match
// about as often as a half-painted proof).
bool is_grain(const std::vector<Measured>& data) {
  std::vector<double> ratio;
  for (const Measured& m : data) {
    const cv::Matx22d& c = m.covariance;
    const double mean = (c(0, 0) + c(1, 1)) / 2;
    const double half = std::hypot((c(0, 0) - c(1, 1)) / 2, c(0, 1));
    ratio.push_back((mean - half) / (mean + half));
  }
  if (ratio.empty()) return false;
  const auto middle = ratio.begin() + std::ssize(ratio) / 2;
  std::nth_element(ratio.begin(), middle, ratio.end());
  return *middle > 0.5;
}

// Grain shared: each pass alone is better than all before it together. False, and nothing done,
// where what matched is no grain.
bool by_grain(Measuring& work, std::vector<Measured> data) {
  RobustRule rule;
  PassRecord record = work.measure(kGrain150, 0, data);
  if (enough(record, 0.08) && !is_grain(data)) return false;
  work.result.passes.push_back(record);
  if (!enough(record, 0.08) || work.reached(0.3)) return true;
  rule.prior = {30, 0.02};
  work.fit_roughly(data, rule);
  if (work.reached(0.35)) return true;
  work.result.data = data;
  record = work.measure(kGrain300, 0, data);
  work.result.passes.push_back(record);
  if (!enough(record, 0.08) || work.reached(0.6)) return true;
  rule.prior = {300, 0.01, 10};
  rule.choose_prior = true;
  work.rim = work.edges(kRim);
  work.fit(data, rule);
  rule.prior = work.result.fit.prior;
  rule.choose_prior = false;
  rule.keep_weights = true;
  // Once is enough from a good start; where no resolution is known it left 0.12 mm in place of 0.02.
  rule.kept_rounds = work.scaled() ? 1 : 2;
  for (int k = 0; k < kRefinements; ++k) {
    if (work.reached(0.73 + 0.09 * k)) return true;
    rule.start_scale = work.result.fit.set_scale;  // weights and scale hardly move any more
    work.measure_again(0, data);
    work.rim = work.edges(kRim);  // anew: past bare metal more of it is in reach by now
    work.fit(data, rule);
  }
  work.result.data = data;
  append_set(work.result.data, work.rim);
  work.result.grain = true;
  return true;
}

// From matches of kGrain150Wide. False, and all as it was, where the finer levels have no grain in
// common; but where more than half of the wide patches matched, those count.
bool by_grain_from(Measuring& work, const PassRecord& wide, std::vector<Measured> data) {
  const SmoothMap map = work.map;
  FineResult before = work.result;
  RobustRule stiff;
  stiff.prior = {100, 0.02};
  work.fit_roughly(data, stiff);
  work.result.data = data;
  const bool kept = by_grain(work, std::move(data));
  if (work.result.grain || (kept && enough(wide, 0.5))) return true;
  work.map = map;
  work.result = std::move(before);
  return false;
}

// A drawing of its own shares lines and edges of tone: several sizes of patches pooled, and the
// plate's edge where both scans show it.
void by_form(Measuring& work) {
  std::vector<Measured> pool, part;
  RobustRule rule;
  rule.floor_mm = 0.02;  // a line drawn again is not the line
  rule.least_scale = 1;
  for (int round = 0; round < 3; ++round) {
    if (round) work.result.passes.resize(work.result.passes.size() - 3);
    pool = work.edges({round ? 1.5 : 3.0, 3, false});
    int set = 0;
    for (const Pass* pass : {&kForm, &kForm150, &kGrain150Wide}) {
      if (work.reached(0.25 + 0.25 * round + 0.07 * set)) return;
      work.result.passes.push_back(work.measure(*pass, set++, part));
      append_set(pool, part);
    }
    if (pool.size() + 3 * work.pins.size() < 12) return;
    rule.prior = {300, 0.01, 10};
    rule.choose_prior = round == 2;
    round == 2 ? work.fit(pool, rule) : work.fit_roughly(pool, rule);
  }
  work.result.data = std::move(pool);
}

}  // namespace

FineResult measure_finely(ScanLevels& proof,
                          ScanLevels& drawing,
                          const SmoothMap& start,
                          const std::vector<Measured>& pins,
                          SplineFit& system,
                          int threads,
                          const Progress& progress) {
  Measuring work(proof, drawing, system, threads, progress);
  work.map = start;
  work.pins = pins;
  std::vector<Measured> form, grain;
  const PassRecord by_lines = work.measure(kForm, 0, form);
  work.reached(0.05);
  const PassRecord by_dots = work.measure(kGrain75, 0, grain);
  work.reached(0.08);
  work.result.passes = {by_lines, by_dots};
  std::vector<Measured>& better = grain.size() > form.size() ? grain : form;
  RobustRule stiff;
  stiff.prior = {300, 0.01};
  if (better.size() + 3 * pins.size() >= 12) {
    work.fit_roughly(better, stiff);
    work.result.data = better;
  }
  work.reached(0.12);
  const PassRecord wide = work.measure(kGrain150Wide, 0, grain);
  work.reached(0.18);
  work.result.passes.push_back(wide);
  // A half-painted proof matches in a third of its places at first, a drawing of a few strokes in a
  // tenth, one rich in lines in two thirds; what is grain is told below.
  if (!enough(wide, kWorthGrain) || !by_grain_from(work, wide, std::move(grain))) {
    by_form(work);
    const PassRecord last = work.result.passes.back();
    // What lay too far off at first may match now.
    const bool more = last.share() > 1.3 * wide.share();
    if (more && enough(last, kWorthGrain) && !work.reached(0.9)) {
      work.measure(kGrain150Wide, 0, grain);
      by_grain_from(work, last, std::move(grain));
    }
  }
  work.result.map = work.map;
  work.result.passes.back().agreeing = agreeing(work.result.data);
  return std::move(work.result);
}

}  // namespace rebite::align
