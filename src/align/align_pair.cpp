#include "align/align_pair.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <filesystem>

#include "align/coarse_start.h"
#include "align/fine_passes.h"
#include "align/parallel.h"
#include "align/pins.h"
#include "align/plate_mark.h"
#include "align/resolution_check.h"
#include "align/scan_levels.h"
#include "align/self_check.h"
#include "align/spline_warp.h"
#include "align/tiles.h"

namespace rebite::align {
namespace {

constexpr double kRefuse = 0.15, kDoubt = 0.35;  // alignment.md, section 4
constexpr double kErrorFloor = 0.0005;           // mm, of any estimate
constexpr double kRim = 3;           // mm inside the plate mark that error_mm leaves out
constexpr double kWeakError = 0.3;   // mm: an estimated p95 above this is said aloud
constexpr double kLargeMm2 = 40000;  // mm^2: a larger plate is fitted on fewer functions

// Shares of the time, as a 70 megapixel pair takes it (measure_speed progress).
constexpr double kMatching = 0.17, kChecking = 0.91;

// The name of a file beside another: with its folder where both are named alike.
std::string told_apart(const std::filesystem::path& file, const std::filesystem::path& other) {
  return (file.filename() == other.filename() ? file : file.filename()).string();
}

// One pair on its way.
class Aligning {
 public:
  Aligning(const scan::DensityImage& proof,
           const scan::DensityImage& drawing,
           const AlignOptions& options,
           const Progress& progress)
      : options_(options),
        progress_(progress),
        threads_(std::clamp(options.threads, 1, 64)),
        proof_name_(told_apart(proof.info.file, drawing.info.file)),
        drawing_name_(told_apart(drawing.info.file, proof.info.file)),
        proof_(proof, threads_),
        drawing_(drawing, threads_),
        drawing_scale_(drawing_.scale()) {}

  Result<Alignment> run() {
    using Step = std::optional<Problem> (Aligning::*)();
    constexpr Step steps[] = {&Aligning::find_mark,
                              &Aligning::start_coarsely,
                              &Aligning::judge_start,
                              &Aligning::measure};
    constexpr double shares[] = {0.0, 0.04, 0.165, kMatching};
    constexpr const char* doing[] = {"looking for the plate mark",
                                     "finding how the drawing lies",
                                     "judging the start",
                                     "matching the grain"};
    for (std::size_t k = 0; k < 4; ++k) {
      if (progress_.stopped())
        return refuse(ProblemKind::stopped, "Stopped.", "Nothing was written.");
      progress_.at(shares[k], doing[k]);
      if (auto problem = (this->*steps[k])()) return std::unexpected(*problem);
    }
    if (progress_.stopped())
      return refuse(ProblemKind::stopped, "Stopped.", "Nothing was written.");
    progress_.at(kChecking, "checking against patches that were left out");
    check_itself();
    describe();
    progress_.at(1, "aligned");
    return std::move(result_);
  }

 private:
  bool both_scaled() const { return proof_.real_scale() && drawing_.real_scale(); }

  std::optional<Problem> find_mark() {
    // Both sheets' marks at once: a scan without scale may be measured anew, and waits.
    if (both_scaled())
      in_parallel(2, threads_, [&](int first, int last) {
        for (int k = first; k < last; ++k) (k == 0 ? proof_ : drawing_).outline();
      });
    const auto& outline = proof_.outline();
    if (!outline) return std::nullopt;
    auto mark =
        oriented_mark(*outline, {proof_.scale(), proof_.real_scale()}, options_.plate, proof_name_);
    if (!mark) return mark.error();
    result_.plate = *mark;
    return std::nullopt;
  }

  std::optional<Problem> start_coarsely() {
    std::optional<cv::Matx33d> by_hand;
    if (!options_.pins.empty()) {
      auto map = map_from_pins(options_.pins, proof_.scale(), drawing_.scale());
      if (!map) return map.error();
      by_hand = *map;
    }
    start_ = find_start(proof_, drawing_, by_hand, threads_);
    if (by_hand && start_.best.share < kRefuse) {
      // The hand knows better: start from the pins themselves.
      start_.best.map = SmoothMap{};
      start_.best.map.start = *by_hand;
      result_.notes.push_back("held by the pins: little in the two scans agrees by itself");
    }
    return std::nullopt;
  }

  std::optional<Problem> judge_start() {
    const bool by_hand = !options_.pins.empty();
    if (!by_hand && start_.best.share < kRefuse)
      return Problem{
          ProblemKind::data,
          fmt::format(
              "{} and {} do not show the same plate: {:.0f} % of places agree, {:.0f} % are "
              "needed",
              proof_name_,
              drawing_name_,
              100 * start_.best.share,
              100 * kRefuse),
          "Check the two files; if they do belong together, align by hand with --pins."};
    if (start_.steep && !by_hand) return seen_at_a_slant();
    if (both_scaled() && !by_hand) {
      const ScaleVerdict verdict = judge_scale(scale_finding());
      if (verdict.problem) return verdict.problem;
      if (!verdict.note.empty()) result_.notes.push_back(verdict.note);
    }
    if (start_.mirrored) {
      if (!options_.allow_mirrored)
        return Problem{ProblemKind::data,
                       fmt::format("{} shows the picture turned over (mirrored) against {}",
                                   drawing_name_,
                                   proof_name_),
                       "If that is meant (a drawing made the way the plate lies), pass --mirrored; "
                       "else flip the scan."};
      result_.notes.push_back(drawing_name_ + " is mirrored: it shows the picture turned over");
    }
    if (start_.perspective)
      result_.notes.push_back(
          drawing_name_ + " is seen at a slant, as in a photograph: a flat scan matches better");
    return std::nullopt;
  }

  Problem seen_at_a_slant() const {
    const double x = start_.shape.scale_x, y = start_.shape.scale_y;
    return {ProblemKind::data,
            fmt::format("{} shows the picture of {} at a steep slant, as a photograph taken from "
                        "the side: {:.2f} times its length across, {:.2f} times down",
                        drawing_name_,
                        proof_name_,
                        x,
                        y),
            "Scan the drawing flat, or photograph it again with the camera square to the sheet; "
            "or align by hand with --pins."};
  }

  ScaleFinding scale_finding() const {
    ScaleFinding found;
    found.scale_x = start_.shape.scale_x;
    found.scale_y = start_.shape.scale_y;
    found.proof_dpi = proof_.scale().x * 25.4;
    found.drawing_dpi = drawing_scale_.x * 25.4;
    found.proof_name = proof_name_;
    found.drawing_name = drawing_name_;
    found.proof_confirmed = result_.plate && result_.plate->found && options_.plate;
    found.same_grain = start_.grain;
    return found;
  }

  std::optional<Problem> measure() {
    area_ = proof_.picture(coarse_px_per_mm(proof_, drawing_)).box_mm;
    // The stiff layer of a large plate can do with half the functions each way: its bends are long.
    system_.emplace(area_, fine_spacing(), area_.area() > kLargeMm2 ? 2 : 1, threads_);
    if (!options_.pins.empty())
      pins_ = pins_as_data(options_.pins, start_.best.map.start, proof_.scale(), drawing_.scale());
    fine_ = measure_finely(proof_,
                           drawing_,
                           start_.best.map,
                           pins_,
                           *system_,
                           threads_,
                           progress_.part(kMatching, kChecking));
    result_.warp = std::make_shared<SplineWarp>(fine_.map, proof_.scale(), drawing_.scale());
    return std::nullopt;
  }

  // Finer control where plates are small; at most some 2500 cells on large ones.
  double fine_spacing() const {
    const double side = std::sqrt(area_.area());
    return std::max(std::min(9.0, side / 6), side / 50);
  }

  void check_itself() {
    std::vector<Measured> all = fine_.data;
    all.insert(all.end(), pins_.begin(), pins_.end());
    SelfCheck check;
    if (!fine_.data.empty())
      check =
          blocked_cross_validation(*system_, all, fine_.fit, fine_.floor_mm, area_, fine_.grain);
    if (fine_.fit.set_scale.empty()) fine_.fit.set_scale.assign(1, 1.0);
    system_->solve(as_fit_data(all, fine_.fit.set_scale, fine_.floor_mm), fine_.fit.prior);
    const SigmaMap sigma(
        *system_, all, area_, std::max(5.0, std::sqrt(area_.area()) / 40), check, kErrorFloor);
    TileRule rule;
    rule.side_mm = std::max(5.0, std::sqrt(area_.area()) / 60);
    result_.tiles = make_tiles(area_, proof_.scale(), all, sigma, rule);
    if (!both_scaled()) return;
    std::vector<double> sigmas;
    for (const Tile& t : result_.tiles)
      if (well_on_plate((t.proof_px.tl() + t.proof_px.br()) / 2)) sigmas.push_back(t.sigma_mm);
    result_.error = error_over(sigmas);
  }

  // Off its rim: bevel and foot ink are not matched there, and no tone is judged on them.
  bool well_on_plate(cv::Point2d px) const {
    if (!result_.plate || !result_.plate->found) return true;
    const auto& c = result_.plate->corners_px;
    for (std::size_t k = 0; k < 4; ++k) {
      const cv::Point2d side = c[(k + 1) % 4] - c[k], to = px - c[k];
      if (side.x * to.y - side.y * to.x < kRim * proof_.scale().x * cv::norm(side)) return false;
    }
    return true;
  }

  void describe() {
    describe_shape();
    note_strayed_pins();
    result_.mirrored = start_.mirrored;
    result_.agreement = start_.best.share;
    place_plate();
    std::size_t held = 0, unseen = 0;
    for (const Tile& t : result_.tiles) {
      held += t.kind == TileClass::held ? 1 : 0;
      unseen += t.kind == TileClass::unseen ? 1 : 0;
    }
    const double all = static_cast<double>(std::max<std::size_t>(1, result_.tiles.size()));
    const double unseen_share = static_cast<double>(unseen) / all;
    const double held_share = static_cast<double>(held) / all;
    const double p95 = result_.error ? result_.error->p95 : 0;
    if (result_.agreement < kDoubt)
      result_.notes.push_back(fmt::format(
          "doubtful: only {:.0f} % of places agree with one sheet; look at the alignment picture",
          100 * result_.agreement));
    if (p95 > kWeakError)
      result_.notes.push_back(fmt::format(
          "weak: the two scans have little in common (few lines or edges); expect errors up to "
          "{:.1f} mm",
          p95));
    if (unseen_share > 0.02)
      result_.notes.push_back(
          fmt::format("{:.0f} % of the plate was not seen in both scans: the map there is a guess",
                      100 * unseen_share));
    result_.doubtful = result_.agreement < kDoubt || p95 > kWeakError;
    result_.confidence = std::clamp((result_.agreement - kRefuse) / 0.35, 0.0, 1.0) *
                         (0.4 + 0.6 * std::max(held_share, 1 - unseen_share)) *
                         (p95 > kWeakError ? 0.5 : 1.0);
  }

  // Where grain or lines were matched they outweigh the pins: what a hand placed elsewhere is told.
  void note_strayed_pins() {
    std::vector<std::size_t> strayed;
    double most = 0;
    for (std::size_t k = 0; k < options_.pins.size(); ++k) {
      const PinPair& pin = options_.pins[k];
      const cv::Point2d found = result_.warp->drawing_from_proof(pin.proof_px);
      const double off = cv::norm(drawing_.scale().mm(found) - drawing_.scale().mm(pin.drawing_px));
      if (off < 4 * kPinSdMm) continue;
      strayed.push_back(k + 1);
      most = std::max(most, off);
    }
    if (strayed.empty()) return;
    result_.notes.push_back(fmt::format(
        "the two pictures do not bear out pin {}: up to {:.1f} mm off; check where it was placed "
        "and look at the alignment picture",
        fmt::join(strayed, ", "),
        most));
  }

  // Rotation and scale of the map as a whole, from its mean slope over the plate, in tagged mm.
  void describe_shape() {
    const cv::Point2d c = (area_.tl() + area_.br()) / 2;
    const cv::Point2d dx(0.4 * area_.width, 0), dy(0, 0.4 * area_.height);
    cv::Point2d u = (fine_.map.forward(c + dx) - fine_.map.forward(c - dx)) / (2 * dx.x);
    cv::Point2d v = (fine_.map.forward(c + dy) - fine_.map.forward(c - dy)) / (2 * dy.y);
    // From working millimetres of the drawing to its own; to pixels per pixel without resolution.
    double fx = 1 / drawing_.rescaled(), fy = fx;
    if (!both_scaled()) {
      fx = drawing_.scale().x / proof_.scale().x;
      fy = drawing_.scale().y / proof_.scale().y;
    }
    u = {u.x * fx, u.y * fy};
    v = {v.x * fx, v.y * fy};
    const MapShape shape = shape_of({u.x, v.x, u.y, v.y});
    result_.rotation_deg = shape.rotation_deg;
    result_.scale_x = shape.scale_x;
    result_.scale_y = shape.scale_y;
  }

  // Without a mark on the proof: the drawing's, carried over; else the middle of what is known.
  void place_plate() {
    if (result_.plate || !options_.plate) return;
    if (drawing_.outline()) {
      Outline carried = *drawing_.outline();
      for (cv::Point2d& p : carried.corners) p = fine_.map.backward(p);
      if (start_.mirrored) std::swap(carried.corners[1], carried.corners[3]);
      auto mark = oriented_mark(
          carried, {proof_.scale(), proof_.real_scale()}, options_.plate, drawing_name_);
      if (mark) {
        result_.plate = *mark;
        result_.notes.push_back(
            "the plate mark is not on the proof's scan; the drawing's was used");
        return;
      }
    }
    result_.plate = assumed_mark((area_.tl() + area_.br()) / 2, *options_.plate, proof_.scale());
    result_.notes.push_back(
        "no plate mark seen: the plate is taken to lie in the middle of the proof's scan, upright");
  }

  const AlignOptions& options_;
  const Progress& progress_;
  int threads_;
  std::string proof_name_, drawing_name_;
  ScanLevels proof_, drawing_;
  ScanScale drawing_scale_;  // as tagged
  CoarseStart start_;
  cv::Rect2d area_;
  std::optional<SplineFit> system_;
  std::vector<Measured> pins_;
  FineResult fine_;
  Alignment result_;
};

}  // namespace

Result<Alignment> align_pair(const scan::DensityImage& proof,
                             const scan::DensityImage& drawing,
                             const AlignOptions& options,
                             const Progress& progress) {
  return Aligning(proof, drawing, options, progress).run();
}

}  // namespace rebite::align
