#include "tone/impressions.h"

#include <cmath>

#include "tone/cells.h"
#include "tone/cut.h"
#include "tone/edges.h"
#include "tone/inking.h"

namespace rebite::tone {

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
    const Cells cells = make_cells(proof, impression, both, sigma_mm, px_per_mm);
    const cv::Mat1b rim = rim_of(cells);
    Cut cut = coarse_cut(cells, rim);
    cut.apply(join_without_edge(cut.labels, cut.count, cells, rim));
    const InkingFit ink = fit_inking(cells, cut.labels, cut.count);
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
