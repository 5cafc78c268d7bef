#include "tone/impressions.h"

#include <algorithm>
#include <cmath>

#include "tone/cells.h"
#include "tone/cut.h"
#include "tone/edges.h"
#include "tone/inking.h"

namespace rebite::tone {
namespace {

// Cells with the inking already taken off the other impression.
MeanImpression::Unlike unlike_places(const Cells& c, const cv::Mat1b& rim, double spread) {
  constexpr double least = 0.07, spreads = 6, around_mm = 1.5;
  cv::Mat1f weight;
  cv::Mat(c.usable).convertTo(weight, CV_32F, 1.0 / 255);
  weight.setTo(0, rim);
  const cv::Mat1f first = smooth_over(c.proof, weight, around_mm / c.mm);
  const cv::Mat1f other = smooth_over(c.drawing, weight, around_mm / c.mm);
  const double limit = std::max(least, spreads * spread);
  double all = 0;
  std::vector<double> off;
  for (int i = 0; i < first.rows; ++i) {
    for (int j = 0; j < first.cols; ++j) {
      if (weight(i, j) <= 0) continue;
      all += 1;
      const double d = std::abs(density_of(static_cast<double>(other(i, j))) -
                                density_of(static_cast<double>(first(i, j))));
      if (d > limit) off.push_back(d);
    }
  }
  if (off.empty()) return {};
  const auto nine_tenths = off.begin() + static_cast<std::ptrdiff_t>(off.size() * 9 / 10);
  std::nth_element(off.begin(), nine_tenths, off.end());
  return {static_cast<double>(off.size()) / all, *nine_tenths};
}

}  // namespace

MeanImpression mean_impression(const cv::Mat1f& proof,
                               const cv::Mat1b& usable,
                               const cv::Mat1f& sigma_mm,
                               double px_per_mm,
                               const std::vector<cv::Mat1f>& further) {
  MeanImpression out;
  out.proof = proof.clone();
  if (further.empty()) return out;
  cv::Mat1f sum = proof.clone();
  cv::Mat1f n(proof.size(), 1.F);
  cv::Mat1f fields;
  double variance = 0;
  int factor = 1;
  for (const cv::Mat1f& impression : further) {
    CV_Assert(impression.size() == proof.size());
    cv::Mat1b both = usable.clone();
    for (int i = 0; i < both.rows; ++i) {
      for (int j = 0; j < both.cols; ++j) {
        if (!std::isfinite(impression(i, j))) both(i, j) = 0;
      }
    }
    Cells cells = make_cells(proof, impression, both, sigma_mm, px_per_mm);
    const cv::Mat1b rim = rim_of(cells);
    const Cut parts = coarse_cut(cells, rim);
    Cut joined{parts.labels.clone(), parts.count};
    joined.apply(join_without_edge(parts.labels, parts.count, cells, rim));
    InkingFit ink = fit_inking(cells, joined.labels, joined.count);
    // Nothing is painted on it, so it may be inked far more differently than a drawing's print.
    auto alone = inking_alone(cells, ink, parts.labels, rim, unpainted_wiping);
    if (alone) ink = std::move(*alone);
    cv::Mat1f even = impression.clone();
    take_inking_off(even, ink.field, cells.factor);
    for (int i = 0; i < even.rows; ++i) {
      for (int j = 0; j < even.cols; ++j) {
        if (!both(i, j)) continue;
        sum(i, j) += even(i, j);
        n(i, j) += 1;
      }
    }
    if (fields.empty()) {
      fields = cv::Mat1f::zeros(ink.field.size());
    }
    fields += ink.field;
    factor = cells.factor;
    // The difference of two impressions has twice the variance of one.
    variance += 0.5 * ink.inking.noise_density * ink.inking.noise_density;
    take_inking_off(cells.drawing, ink.field, 1);
    out.unlike.push_back(unlike_places(cells, rim, ink.inking.noise_density));
    ++out.count;
  }
  cv::divide(sum, n, out.proof);
  // From the proof's own inking to the mean one: a darker field is a smaller reflectance.
  const cv::Mat1f back(fields * (-1.0 / out.count));
  take_inking_off(out.proof, back, factor);
  out.wiping_sd = std::sqrt(variance / static_cast<double>(further.size()));
  return out;
}

}  // namespace rebite::tone
