#include "align/coarse_start.h"

#include <algorithm>
#include <cmath>

#include "align/parallel.h"

namespace rebite::align {
namespace {

constexpr double kCoarse = 75 / 25.4;
constexpr double kSure = 0.5;  // no wrong guess ever came near: no need to try the rest
constexpr double kGrainSigma = 2, kFineSigma = 1.6;     // mm, local normalisation
constexpr double kCoarseBlur = 0.35, kCoarseSigma = 4;  // mm
constexpr double kWorthGoingOn = 0.06;                  // share below which grain is not tried
constexpr double kOwnScale = 0.07;                 // paper does not stretch by more, nor a scanner
constexpr double kSteep = 1.25, kSteepSkew = 0.3;  // a sheet seen 37 degrees off square
constexpr int kSurelyThere = 30;                   // features that no chance map brings together

// One coarse trial: the share of a guess by lines and tone edges and by grain, the better of the
// two.
class Trial {
 public:
  Trial(ScanLevels& proof, ScanLevels& drawing, int threads)
      : proof_(proof), drawing_(drawing), threads_(threads) {
    px_ = coarse_px_per_mm(proof, drawing);
    fine_px_ = std::min({2 * px_, proof.finest(), drawing.finest()});
    rule_ = coarse_rule(px_);
    unit_ = kCoarse / px_;
    proof_area_ = proof.picture(px_);
    drawing_area_ = drawing.picture(px_);
    fine_proof_area_ = proof.picture(fine_px_);
    fine_drawing_area_ = drawing.picture(fine_px_);
  }
  double px() const { return px_; }
  const PictureArea& proof_area() const { return proof_area_; }
  const PictureArea& drawing_area() const { return drawing_area_; }

  Agreement operator()(const cv::Matx33d& guess) {
    SmoothMap map;
    map.start = guess;
    const Level& p = proof_.with_form(px_, kCoarseBlur * unit_, kCoarseSigma * unit_);
    const Level& d = drawing_.with_form(px_, kCoarseBlur * unit_, kCoarseSigma * unit_);
    Agreement best = test_agreement({p.form, p.px_per_mm, proof_area_},
                                    {d.form, d.px_per_mm, drawing_area_},
                                    map,
                                    form_rule(),
                                    threads_);
    const Level& pg = proof_.with_grain(px_, kGrainSigma * unit_);
    const Level& dg = drawing_.with_grain(px_, kGrainSigma * unit_);
    keep_better(best,
                test_agreement({pg.grain, pg.px_per_mm, proof_area_},
                               {dg.grain, dg.px_per_mm, drawing_area_},
                               map,
                               rule_,
                               threads_));
    if (best.share < kWorthGoingOn) return best;
    // At twice the resolution grain tells far more; the sheet is known to a millimetre by now.
    const Level& pf = proof_.with_grain(fine_px_, kFineSigma * unit_);
    const Level& df = drawing_.with_grain(fine_px_, kFineSigma * unit_);
    CoarseRule close = rule_;
    close.reach_mm *= 0.4;
    close.tolerance_mm *= 0.6;
    close.least_z = 4.5;
    Agreement by_grain = test_agreement({pf.grain, pf.px_per_mm, fine_proof_area_},
                                        {df.grain, df.px_per_mm, fine_drawing_area_},
                                        best.map,
                                        close,
                                        threads_);
    by_grain.grain = true;
    keep_better(best, std::move(by_grain));
    return best;
  }

 private:
  CoarseRule form_rule() const {
    CoarseRule rule = rule_;
    rule.least_rho = 0.3;
    rule.least_z = 2.5;
    rule.pull = 0.05;
    return rule;
  }
  static void keep_better(Agreement& best, Agreement other) {
    if (other.share > best.share) best = std::move(other);
  }

  ScanLevels &proof_, &drawing_;
  int threads_;
  double px_, fine_px_, unit_;
  CoarseRule rule_;
  PictureArea proof_area_, drawing_area_, fine_proof_area_, fine_drawing_area_;
};

bool own_scale(const MapShape& s) {
  return std::abs(s.scale_x - 1) < kOwnScale && std::abs(s.scale_y - 1) < kOwnScale;
}

// A guess with everything that is kept of it.
struct Tried {
  Hypothesis guess;
  Agreement agreement;
};

cv::Matx33d scaled(const cv::Matx33d& map, double factor) {
  return cv::Matx33d(factor, 0, 0, 0, factor, 0, 0, 0, 1) * map;
}

bool steep_slant(const MapShape& s) {
  return std::max(s.scale_x, s.scale_y) > kSteep * std::min(s.scale_x, s.scale_y) ||
         std::abs(s.skew) > kSteepSkew;
}

// Of the sheet as the agreement test found it lying, over a fifth of it to either side of a place.
// A guess from a few features may be stretched by a tenth and still lead there.
MapShape shape_as_found(const SmoothMap& map, cv::Point2d at, const cv::Rect2d& box) {
  const cv::Point2d dx(0.2 * box.width, 0), dy(0, 0.2 * box.height);
  const cv::Point2d c(std::clamp(at.x, box.x + dx.x, box.br().x - dx.x),
                      std::clamp(at.y, box.y + dy.y, box.br().y - dy.y));
  const cv::Point2d u = (map.forward(c + dx) - map.forward(c - dx)) / (2 * dx.x);
  const cv::Point2d v = (map.forward(c + dy) - map.forward(c - dy)) / (2 * dy.y);
  return shape_of({u.x, v.x, u.y, v.y});
}

bool is_perspective(const cv::Matx33d& m) { return std::abs(m(2, 0)) + std::abs(m(2, 1)) > 1e-9; }

bool alike(const Hypothesis& a, const Hypothesis& b) {
  return a.mirrored == b.mirrored && cv::norm(project(a.map, a.at) - project(b.map, a.at)) < 15 &&
         cv::norm(project(a.map, a.at + cv::Point2d(30, 0)) -
                  project(b.map, a.at + cv::Point2d(30, 0))) < 15;
}

// The plate marks tell the scale too: a drawing of another scale has another size of frame.
void consider(std::vector<Tried>& tried,
              const Hypothesis& guess,
              ScanLevels& proof,
              ScanLevels& drawing,
              int threads,
              Trial& plain) {
  for (const Tried& t : tried)
    if (alike(t.guess, guess) && t.agreement.share > 0.3) return;
  const MapShape shape = shape_of(project_slope(guess.map, guess.at));
  const double scale = guess.scale();
  if (!(scale > 0.12 && scale < 8)) return;
  if (steep_slant(shape) && guess.support < kSurelyThere) return;
  if (own_scale(shape)) {
    tried.push_back({guess, plain(guess.map)});
    return;
  }
  // Judge it on a drawing whose millimetres are the proof's.
  drawing.rescale(1 / scale);
  Trial trial(proof, drawing, threads);
  Tried t{guess, trial(scaled(guess.map, 1 / scale))};
  drawing.rescale(scale);
  t.agreement.map.start = scaled(t.agreement.map.start, scale);
  tried.push_back(std::move(t));
}

}  // namespace

double coarse_px_per_mm(const ScanLevels& proof, const ScanLevels& drawing) {
  const cv::Size2d s = proof.size_mm();
  const double across = std::hypot(s.width, s.height);
  const double wanted = kCoarse * std::clamp(200 / across, 0.6, 4.0);
  return std::min({wanted, proof.finest(), drawing.finest()});
}

CoarseRule coarse_rule(double px_per_mm) {
  CoarseRule rule;
  const double unit = kCoarse / px_per_mm;
  rule.patch_mm *= unit;
  rule.step_mm *= unit;
  rule.reach_mm *= std::max(unit, 0.4);
  rule.tolerance_mm *= std::max(unit, 0.4);
  return rule;
}

CoarseStart find_start(ScanLevels& proof,
                       ScanLevels& drawing,
                       const std::optional<cv::Matx33d>& by_hand,
                       int threads) {
  CoarseStart start;
  std::vector<Tried> tried;
  Trial plain(proof, drawing, threads);
  const auto best_share = [&] {
    double best = 0;
    for (const Tried& t : tried) best = std::max(best, t.agreement.share);
    return best;
  };
  if (by_hand) {
    Hypothesis guess;
    guess.map = *by_hand;
    guess.at = (plain.proof_area().box_mm.tl() + plain.proof_area().box_mm.br()) / 2;
    guess.mirrored = cv::determinant(project_slope(*by_hand, guess.at)) < 0;
    consider(tried, guess, proof, drawing, threads, plain);
  }
  const Level& proof_level = proof.level(plain.px());
  Features proof_features;
  for (const bool mirrored : {false, true}) {
    if (by_hand || best_share() >= kSure) break;
    // Asked for each time: judging a guess of another scale makes the drawing's levels anew.
    const Level& drawing_level = drawing.level(plain.px());
    Features features;
    const bool proof_known = !proof_features.plain.descriptors.empty();
    in_parallel(proof_known ? 1 : 2, threads, [&](int first, int last) {
      for (int k = first; k < last; ++k)
        if (k == 0)
          features = find_features(drawing_level, mirrored, plain.drawing_area().mask);
        else
          proof_features = find_features(proof_level, false, plain.proof_area().mask);
    });
    for (const Hypothesis& guess : feature_hypotheses(
             proof_features, features, proof_level.px_per_mm, drawing_level.px_per_mm, mirrored))
      consider(tried, guess, proof, drawing, threads, plain);
  }
  if (!by_hand && best_share() < kSure && proof.outline() && drawing.outline())
    for (const bool mirrored : {false, true})
      for (const Hypothesis& guess :
           outline_hypotheses(proof.outline()->corners, drawing.outline()->corners, mirrored))
        consider(tried, guess, proof, drawing, threads, plain);
  start.guesses = static_cast<int>(tried.size());
  if (tried.empty()) return start;
  const auto best =
      std::max_element(tried.begin(), tried.end(), [](const Tried& a, const Tried& b) {
        return a.agreement.share < b.agreement.share;
      });
  for (const Tried& t : tried)
    if (!alike(t.guess, best->guess))
      start.runner_up = std::max(start.runner_up, t.agreement.share);
  start.best = best->agreement;
  start.mirrored = best->guess.mirrored;
  start.grain = best->agreement.grain && best->agreement.share > 0.5;
  start.shape = shape_as_found(best->agreement.map, best->guess.at, plain.proof_area().box_mm);
  start.perspective = is_perspective(best->guess.map);
  start.steep = steep_slant(start.shape);
  if (!own_scale(start.shape)) {
    const double factor = 1 / std::sqrt(start.shape.scale_x * start.shape.scale_y);
    drawing.rescale(factor);
    start.best.map.start = scaled(start.best.map.start, factor);
  }
  return start;
}

}  // namespace rebite::align
