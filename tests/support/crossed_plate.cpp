#include "tests/support/crossed_plate.h"

#include <cmath>

namespace rebite::maker {

Plate crossed_plate(const CrossedSpec& spec) {
  const auto columns = static_cast<double>(spec.first.size());
  const auto rows = static_cast<double>(spec.second.size());
  Plate plate;
  plate.size = {2 * spec.border_mm + columns * spec.patch.width,
                2 * spec.border_mm + rows * spec.patch.height};
  plate.curve = spec.curve;
  plate.overlap_q = spec.overlap_q;
  const auto px = [](double mm) { return static_cast<int>(std::lround(mm * 10)); };
  Bite first, second;
  first.grain_mm = second.grain_mm = spec.grain_mm;
  first.ground_seed = spec.first_seed;
  second.ground_seed = spec.second_seed;
  first.minutes = cv::Mat1f::zeros(px(plate.size.height), px(plate.size.width));
  second.minutes = first.minutes.clone();
  const int left = px(spec.border_mm), right = px(spec.border_mm + columns * spec.patch.width);
  const int top = left, bottom = px(spec.border_mm + rows * spec.patch.height);
  for (std::size_t i = 0; i < spec.first.size(); ++i) {
    const int from = px(spec.border_mm + static_cast<double>(i) * spec.patch.width);
    const int to = px(spec.border_mm + static_cast<double>(i + 1) * spec.patch.width);
    first.minutes(cv::Rect(from, top, to - from, bottom - top)) = static_cast<float>(spec.first[i]);
  }
  for (std::size_t j = 0; j < spec.second.size(); ++j) {
    const int from = px(spec.border_mm + static_cast<double>(j) * spec.patch.height);
    const int to = px(spec.border_mm + static_cast<double>(j + 1) * spec.patch.height);
    second.minutes(cv::Rect(left, from, right - left, to - from)) =
        static_cast<float>(spec.second[j]);
  }
  plate.bites = {std::move(first), std::move(second)};
  return plate;
}

MadeScan print_crossed(const CrossedSpec& spec, const Impression& sheet, const Scanner& scanner) {
  return print_proof(crossed_plate(spec), sheet, scanner);
}

}  // namespace rebite::maker
