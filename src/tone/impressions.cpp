#include "tone/impressions.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <opencv2/imgproc.hpp>

#include "tone/at.h"
#include "tone/cells.h"
#include "tone/cut.h"
#include "tone/edges.h"
#include "tone/inking.h"

namespace rebite::tone {
namespace {

// What two prints of one state do not differ by, D; by how many of their spreads; and over what.
constexpr double least_unlike = 0.07, spreads_unlike = 6, around_mm = 1.5;

// One further impression brought to the proof's inking, and where it still differs.
struct Brought {
  cv::Mat1f even;       // NaN where the impression does not reach, not usable or unlike
  cv::Mat1f field;      // by cells
  int factor = 1;       // pixels to a cell
  double spread = 0;    // of the difference of the two
  MeanImpression::Unlike unlike;
};

// How far the two differ, D, over some 3 mm, by cells with the inking already taken off the other
// impression; NaN where that cannot be told.
cv::Mat1f difference(const Cells& c, const cv::Mat1b& rim) {
  cv::Mat1f weight;
  cv::Mat(c.usable).convertTo(weight, CV_32F, 1.0 / 255);
  weight.setTo(0, rim);
  const cv::Mat1f first = smooth_over(c.proof, weight, around_mm / c.mm);
  const cv::Mat1f other = smooth_over(c.drawing, weight, around_mm / c.mm);
  cv::Mat1f out(first.size(), std::numeric_limits<float>::quiet_NaN());
  for (int i = 0; i < first.rows; ++i) {
    for (int j = 0; j < first.cols; ++j) {
      if (weight(i, j) <= 0) continue;
      out(i, j) = static_cast<float>(std::abs(density_of(static_cast<double>(other(i, j))) -
                                              density_of(static_cast<double>(first(i, j)))));
    }
  }
  return out;
}

MeanImpression::Unlike unlike_by(const cv::Mat1f& difference, double limit) {
  double all = 0;
  std::vector<double> off;
  for (const float d : difference) {
    if (!std::isfinite(d)) continue;
    all += 1;
    if (static_cast<double>(d) > limit) off.push_back(static_cast<double>(d));
  }
  if (off.empty()) return {};
  const auto nine_tenths = off.begin() + static_cast<std::ptrdiff_t>(off.size() * 9 / 10);
  std::nth_element(off.begin(), nine_tenths, off.end());
  return {static_cast<double>(off.size()) / all, *nine_tenths};
}

// 255 where the proof alone counts: sooner than a print is refused, since leaving out costs little,
// and as far as the difference hangs together: an area bitten again differs all over, if not
// everywhere by as much.
cv::Mat1b not_averaged(const cv::Mat1f& difference, double limit, double cell_mm) {
  constexpr double sooner = 0.7, hangs_together = 0.35;
  cv::Mat1b differs;
  cv::compare(difference, hangs_together * limit, differs, cv::CMP_GT);
  cv::Mat1i piece;
  const int pieces = cv::connectedComponents(differs, piece, 8, CV_32S);
  std::vector<uchar> unlike(at(pieces), 0);
  for (int i = 0; i < piece.rows; ++i) {
    for (int j = 0; j < piece.cols; ++j) {
      if (static_cast<double>(difference(i, j)) > sooner * limit) unlike[at(piece(i, j))] = 255;
    }
  }
  cv::Mat1b out(piece.size(), static_cast<uchar>(0));
  for (int i = 0; i < piece.rows; ++i) {
    for (int j = 0; j < piece.cols; ++j) out(i, j) = unlike[at(piece(i, j))];
  }
  // The smoothing has taken their margins for alike.
  const int reach = 2 * static_cast<int>(std::ceil(around_mm / cell_mm)) + 1;
  cv::dilate(out, out, cv::getStructuringElement(cv::MORPH_ELLIPSE, {reach, reach}));
  return out;
}

Brought bring_to_inking_of(const cv::Mat1f& proof,
                           const cv::Mat1f& impression,
                           const cv::Mat1b& usable,
                           const cv::Mat1f& sigma_mm,
                           double px_per_mm) {
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

  Brought out{impression.clone(), ink.field, cells.factor, ink.inking.noise_density, {}};
  take_inking_off(cells.drawing, ink.field, 1);
  const cv::Mat1f off = difference(cells, rim);
  const double limit = std::max(least_unlike, spreads_unlike * out.spread);
  out.unlike = unlike_by(off, limit);
  const cv::Mat1b unlike = not_averaged(off, limit, cells.mm);
  take_inking_off(out.even, ink.field, cells.factor);
  for (int i = 0; i < both.rows; ++i) {
    for (int j = 0; j < both.cols; ++j) {
      if (!both(i, j) || unlike(i / cells.factor, j / cells.factor)) {
        out.even(i, j) = std::numeric_limits<float>::quiet_NaN();
      }
    }
  }
  return out;
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
    const Brought b = bring_to_inking_of(proof, impression, usable, sigma_mm, px_per_mm);
    for (int i = 0; i < sum.rows; ++i) {
      for (int j = 0; j < sum.cols; ++j) {
        if (!std::isfinite(b.even(i, j))) continue;
        sum(i, j) += b.even(i, j);
        n(i, j) += 1;
      }
    }
    if (fields.empty()) fields = cv::Mat1f::zeros(b.field.size());
    fields += b.field;
    factor = b.factor;
    // The difference of two impressions has twice the variance of one.
    variance += 0.5 * b.spread * b.spread;
    out.unlike.push_back(b.unlike);
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
