// Bicubic sums of many places of one picture, on the widest vectors that the processor has.
#pragma once

#include <cstddef>
#include <span>

#include "align/vectors.h"

namespace rebite::align {

// Places of a picture: `first` is the index of the pixel one up and one left of the pixel at or
// before a place, `across` and `down` are what the place lies beyond that pixel, 0..1.
struct BicubicPlaces {
  std::span<const int> first;
  std::span<const float> across, down;
};

// out[k] = the picture at place k by Catmull-Rom (Keys, IEEE Trans. ASSP 29, 1981, a = -1/2) over
// the four rows and columns from `first` on, which must lie in the picture; `stride` floats from
// row to row. The same bits with every kind of vectors.
void bicubic(const float* picture,
             std::size_t stride,
             const BicubicPlaces& places,
             std::span<float> out,
             Vectors vectors = Vectors::widest);

}  // namespace rebite::align
