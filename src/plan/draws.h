// Random draws that are the same on every machine.
#pragma once

#include <cstddef>
#include <cstdint>
#include <vector>

namespace rebite::plan {

// Latin hypercube: `count` draws (rows) of `dims` independent standard normals, each dimension
// stratified into `count` equally likely slices, so that means and quantiles settle with far fewer
// draws than plain random ones (McKay, Beckman & Conover 1979). mt19937_64 with Fisher-Yates:
// nothing that differs between standard libraries.
std::vector<double> normal_hypercube(std::size_t count, std::size_t dims, std::uint64_t seed);

}  // namespace rebite::plan
