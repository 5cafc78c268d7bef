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

// One further impression brought to the proof's inking, and where it still differs.
struct Brought {
  cv::Mat1f even;       // NaN where the impression does not reach, not usable or unlike
  cv::Mat1f field;      // by cells
  int factor = 1;       // pixels to a cell
  double spread = 0;    // of the difference of the two
  MeanImpression::Unlike unlike;
};

// Of the places that differ by half as much or more (255 in `differ`) those that hang together with
// one that is surely unlike: an area bitten again differs all over, if not everywhere by the limit.
cv::Mat1b grown_from(const cv::Mat1b& surely, const cv::Mat1b& differ) {
  cv::Mat1i piece;
  const int pieces = cv::connectedComponents(differ, piece, 8, CV_32S);
  std::vector<bool> unlike(static_cast<std::size_t>(pieces), false);
  for (int i = 0; i < piece.rows; ++i) {
    for (int j = 0; j < piece.cols; ++j) {
      if (surely(i, j)) unlike[at(piece(i, j))] = true;
    }
  }
  cv::Mat1b out(surely.size(), static_cast<uchar>(0));
  for (int i = 0; i < piece.rows; ++i) {
    for (int j = 0; j < piece.cols; ++j) {
      if (piece(i, j) > 0 && unlike[at(piece(i, j))]) out(i, j) = 255;
    }
  }
  return out;
}

// 255 where two prints of one state would not differ so, by cells with the inking already taken off
// the other impression; and how much of the plate that is.
cv::Mat1b unlike_places(const Cells& c,
                        const cv::Mat1b& rim,
                        double spread,
                        MeanImpression::Unlike& out) {
  constexpr double least = 0.05, spreads = 6, around_mm = 1.5;
  cv::Mat1f weight;
  cv::Mat(c.usable).convertTo(weight, CV_32F, 1.0 / 255);
  weight.setTo(0, rim);
  const cv::Mat1f first = smooth_over(c.proof, weight, around_mm / c.mm);
  const cv::Mat1f other = smooth_over(c.drawing, weight, around_mm / c.mm);
  const double limit = std::max(least, spreads * spread);
  cv::Mat1b surely(first.size(), static_cast<uchar>(0)), differ = surely.clone();
  double all = 0;
  std::vector<double> off;
  for (int i = 0; i < first.rows; ++i) {
    for (int j = 0; j < first.cols; ++j) {
      if (weight(i, j) <= 0) continue;
      all += 1;
      const double d = std::abs(density_of(static_cast<double>(other(i, j))) -
                                density_of(static_cast<double>(first(i, j))));
      if (d > 0.5 * limit) differ(i, j) = 255;
      if (d <= limit) continue;
      off.push_back(d);
      surely(i, j) = 255;
    }
  }
  if (off.empty()) return surely;
  const auto nine_tenths = off.begin() + static_cast<std::ptrdiff_t>(off.size() * 9 / 10);
  std::nth_element(off.begin(), nine_tenths, off.end());
  out = {static_cast<double>(off.size()) / all, *nine_tenths};
  // The smoothing has taken their margins for alike.
  const int reach = 2 * static_cast<int>(std::ceil(around_mm / c.mm)) + 1;
  cv::Mat1b places = grown_from(surely, differ);
  cv::dilate(places, places, cv::getStructuringElement(cv::MORPH_ELLIPSE, {reach, reach}));
  return places;
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
  const cv::Mat1b unlike = unlike_places(cells, rim, out.spread, out.unlike);
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
