#include "jobs/paper_match.h"

#include <fmt/format.h>

#include <cmath>
#include <utility>

namespace rebite::jobs {

SeenPaper paper_of(std::string what, const scan::DensityImage& image) {
  return {std::move(what), image.paper_reflectance, image.paper_unevenness};
}

Notes paper_notes(const std::vector<SeenPaper>& seen) {
  Notes notes;
  if (seen.empty() || seen.front().reflectance <= 0) return notes;
  const SeenPaper& first = seen.front();
  const auto light = [](const SeenPaper& p) { return 0.5 * std::log10(1 + p.unevenness); };
  for (std::size_t i = 1; i < seen.size(); ++i) {
    const SeenPaper& other = seen[i];
    if (other.reflectance <= 0) continue;
    const double apart = std::fabs(std::log10(other.reflectance / first.reflectance));
    if (apart <= one_paper + light(first) + light(other)) continue;
    notes.push_back(fmt::format(
        "The bare paper of {} was scanned as {:.0f} % of white and that of {} as {:.0f} % ({:.2f} D "
        "apart), more than sheets of one paper differ. If both are on one paper, the scanner's "
        "exposure changed between the scans: switch off automatic exposure and contrast and scan "
        "both again with the same saved settings, else their tones do not compare.",
        first.what,
        100 * first.reflectance,
        other.what,
        100 * other.reflectance,
        apart));
  }
  return notes;
}

}  // namespace rebite::jobs
