// Sums of products of a patch with every window of a search.
#pragma once

#include <opencv2/core.hpp>
#include <span>
#include <vector>

#include "align/vectors.h"

namespace rebite::align {

// Both are copied, rows filled up to whole lanes (the patch's with zeros, which count for nothing),
// so that the sums need no remainders. Sums run in eight fixed lanes: every kind of vectors gives
// the same bits.
class PatchProducts {
 public:
  // The search is at least as large as the patch.
  PatchProducts(const cv::Mat1f& patch, const cv::Mat1f& search, Vectors vectors = Vectors::widest);

  // out[dx] = sum over the patch of its values times the search's, shifted by (dx, dy); as many
  // shifts as `out` holds, which must lie in the search.
  void row(int dy, std::span<double> out) const;

 private:
  bool avx2_;
  int width_ = 0, height_ = 0;  // floats of a row of the patch, its rows
  int stride_ = 0;              // of the search
  std::vector<float> patch_, search_;
};

}  // namespace rebite::align
