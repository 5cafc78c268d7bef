#include "align/resolution_check.h"

#include <fmt/format.h>

#include <cmath>

namespace rebite::align {

namespace {

// Nearest of them, if within 4 %.
template <std::size_t N>
std::optional<double> nearest_of(const double (&usual)[N], double dpi) {
  double nearest = usual[0];
  for (const double u : usual)
    if (std::abs(std::log(dpi / u)) < std::abs(std::log(dpi / nearest))) nearest = u;
  return std::abs(dpi / nearest - 1) < 0.04 ? std::optional(nearest) : std::nullopt;
}

}  // namespace

std::optional<double> usual_resolution(double dpi) {
  constexpr double usual[] = {72,  75,  96,  100, 120, 144, 150, 200, 225, 240, 250,  300,
                              350, 360, 400, 450, 480, 500, 600, 720, 800, 900, 1200, 2400};
  return nearest_of(usual, dpi);
}

std::optional<double> scanner_resolution(double dpi) {
  constexpr double offered[] = {75, 100, 150, 200, 300, 400, 600, 800, 1200, 2400};
  return nearest_of(offered, dpi);
}

ScaleVerdict judge_scale(const ScaleFinding& f) {
  ScaleVerdict verdict;
  const double scale = std::sqrt(f.scale_x * f.scale_y);
  if (std::abs(f.scale_x - 1) < 0.07 && std::abs(f.scale_y - 1) < 0.07) return verdict;
  if (std::abs(scale - 1) < 0.04) {  // no tag explains that, unless it differs by direction
    const auto per_cent = [](double s) { return fmt::format("{:+.0f} %", 100 * (s - 1)); };
    verdict.problem = Problem{
        ProblemKind::data,
        fmt::format("{} would have to be stretched by {} across and {} down to lie on {}",
                    f.drawing_name,
                    per_cent(f.scale_x),
                    per_cent(f.scale_y),
                    f.proof_name),
        "Too little of the plate may be seen in it: draw more of its lines, or align by hand with "
        "--pins. Look also whether the scan was stretched, or carries another resolution across "
        "than down."};
    return verdict;
  }
  const double drawing_dpi = f.drawing_dpi * scale, proof_dpi = f.proof_dpi / scale;
  const auto drawing_usual = usual_resolution(drawing_dpi);
  const auto proof_usual = f.proof_confirmed ? std::nullopt : usual_resolution(proof_dpi);
  // A drawing of its own may be at any scale: only what a scanner offers speaks of a wrong tag.
  const bool explained =
      scanner_resolution(drawing_dpi) || (!f.proof_confirmed && scanner_resolution(proof_dpi));
  if (!f.same_grain && !explained) {
    verdict.note = fmt::format(
        "{} is at {:.0f} % of the proof's scale (by the resolution tags); taken as a drawing of "
        "its "
        "own size",
        f.drawing_name,
        100 * scale);
    return verdict;
  }
  Problem problem;
  problem.kind = ProblemKind::data;
  problem.what =
      fmt::format("{} is tagged {:.0f} dpi but looks like {:.0f} dpi beside {} ({:.0f} dpi)",
                  f.drawing_name,
                  f.drawing_dpi,
                  drawing_usual.value_or(drawing_dpi),
                  f.proof_name,
                  f.proof_dpi);
  if (!f.proof_confirmed)
    problem.what +=
        fmt::format("; or {} is really {:.0f} dpi", f.proof_name, proof_usual.value_or(proof_dpi));
  problem.next = "Write the right resolution into the scan";
  problem.next +=
      f.same_grain ? "."
                   : ", or, if the drawing really is at another scale, align by hand with --pins.";
  verdict.problem = problem;
  return verdict;
}

}  // namespace rebite::align
