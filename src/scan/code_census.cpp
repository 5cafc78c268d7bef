#include "scan/code_census.h"

#include <fmt/format.h>

#include <algorithm>
#include <cassert>
#include <cstddef>
#include <utility>

#include "scan/tone_table.h"

namespace rebite::scan {
namespace {

constexpr double clipping_worth_a_note = 0.001;  // ecosystem practice: 0.1 % at an end of the scale
constexpr double comb_worth_a_note = 0.08;

}  // namespace

CodeCensus::CodeCensus(int bits, int channels)
    : bits_(bits), channels_(channels), histogram_(bits == 8 ? 256 : 65536) {}

template <class T>
void CodeCensus::count(const Block& block) {
  constexpr T full = static_cast<T>(~T{0});
  const T* first = static_cast<const T*>(block.samples);
  std::size_t high = 0, low = 0;
  for (int y = 0; y < block.height; ++y) {
    const T* s = first + y * block.row_stride;
    if (channels_ == 1) {
      for (int x = 0; x < block.width; ++x, s += block.pixel_stride) ++histogram_[s[0]];
      continue;
    }
    for (int x = 0; x < block.width; ++x, s += block.pixel_stride) {
      ++histogram_[s[1]];
      high += s[0] == full || s[1] == full || s[2] == full;
      low += (s[0] | s[1] | s[2]) == 0;
    }
  }
  high_ += double(high);
  low_ += double(low);
}

void CodeCensus::watch(std::vector<CodeRange> ranges) {
  assert(ranges.size() == 1 || ranges.size() == static_cast<std::size_t>(channels_));
  watched_ = std::move(ranges);
}

template <class T>
void CodeCensus::count_outside(const Block& block) {
  constexpr float full = static_cast<T>(~T{0});
  // Half a code of room: the ends are codes themselves.
  const auto outside = [&](std::size_t k, float code) {
    return code < static_cast<float>(watched_[k].low) * full - 0.5F ||
           code > static_cast<float>(watched_[k].high) * full + 0.5F;
  };
  const auto w = [](int k) { return static_cast<float>(luminance_weights[k]); };
  const T* first = static_cast<const T*>(block.samples);
  std::size_t n = 0;
  for (int y = 0; y < block.height; ++y) {
    const T* s = first + y * block.row_stride;
    for (int x = 0; x < block.width; ++x, s += block.pixel_stride) {
      if (channels_ == 1) {
        n += outside(0, s[0]);
      } else if (watched_.size() == 1) {
        n += outside(0, w(0) * s[0] + w(1) * s[1] + w(2) * s[2]);
      } else {
        n += outside(0, s[0]) || outside(1, s[1]) || outside(2, s[2]);
      }
    }
  }
  outside_ += double(n);
}

void CodeCensus::take(const Block& block) {
  pixels_ += double(block.width) * block.height;
  bits_ == 8 ? count<std::uint8_t>(block) : count<std::uint16_t>(block);
  if (watched_.empty()) return;
  bits_ == 8 ? count_outside<std::uint8_t>(block) : count_outside<std::uint16_t>(block);
}

double CodeCensus::clipped_high() const {
  if (pixels_ <= 0) return 0;
  return (channels_ == 1 ? double(histogram_.back()) : high_) / pixels_;
}

double CodeCensus::clipped_low() const {
  if (pixels_ <= 0) return 0;
  return (channels_ == 1 ? double(histogram_.front()) : low_) / pixels_;
}

bool CodeCensus::stretched_from_8_bits() const {
  if (bits_ != 16 || pixels_ < 10000) return false;
  int levels = 0;
  double by_257 = 0, by_256 = 0;
  for (std::size_t c = 0; c < histogram_.size(); ++c) {
    if (histogram_[c] == 0) continue;
    ++levels;
    if (c % 257 == 0) by_257 += histogram_[c];
    if (c % 256 == 0) by_256 += histogram_[c];
  }
  // A nearly even picture may hold few levels honestly; then they are neighbours, not multiples.
  return levels > 4 && (by_257 >= 0.999 * pixels_ || by_256 >= 0.999 * pixels_ || levels <= 256);
}

double CodeCensus::empty_codes() const {
  if (pixels_ < 10000) return 0;
  const std::size_t step = bits_ == 8 ? 1 : 256;
  std::vector<double> codes(256);
  for (std::size_t c = 0; c < histogram_.size(); ++c) codes[c / step] += histogram_[c];
  std::size_t from = 0, to = 255;
  double below = 0, above = 0;
  while (from < 255 && (below += codes[from]) < 0.01 * pixels_) ++from;
  while (to > 0 && (above += codes[to]) < 0.01 * pixels_) --to;
  if (to < from + 40) return 0;  // too few tones to see a comb
  // Only a gap between two well-filled neighbours is a tooth of a comb; thin tails are no gaps.
  int gaps = 0;
  const double enough = std::max(8.0, pixels_ * 2e-5);
  for (std::size_t c = from + 1; c < to; ++c) {
    if (codes[c] == 0 && codes[c - 1] > enough && codes[c + 1] > enough) ++gaps;
  }
  return double(gaps) / double(to - from + 1);
}

double CodeCensus::top_code() const {
  std::size_t c = histogram_.size() - 1;
  for (double above = 0; c > 0 && (above += histogram_[c]) < 0.001 * pixels_; --c) {
  }
  return double(c) / double(histogram_.size() - 1);
}

double CodeCensus::share_outside() const { return pixels_ > 0 ? outside_ / pixels_ : 0; }

Notes CodeCensus::notes(bool lossy) const {
  Notes notes;
  if (lossy) {
    notes.push_back(
        "JPEG is lossy and has 8 bits: fine tones in the darks and the grain are blurred. Scan to "
        "TIFF, 16 bits.");
  } else if (bits_ == 8) {
    notes.push_back(
        "The scan has 8 bits per sample: above about D 1.5 one code is a visible step. Scan with "
        "16 "
        "bits (48-bit colour or 16-bit grey).");
  }
  if (clipped_high() > clipping_worth_a_note) {
    notes.push_back(fmt::format(
        "Highlights are clipped: {:.1f} % of the pixels are at the top of the scale, paper white "
        "is "
        "too dark by an unknown amount. Switch off automatic exposure, automatic contrast and "
        "background whitening in the scanner software.",
        100 * clipped_high()));
  }
  if (clipped_low() > clipping_worth_a_note) {
    notes.push_back(fmt::format(
        "Shadows are clipped: {:.1f} % of the pixels are at code 0, the darks cannot be told "
        "apart. "
        "Switch off automatic contrast and set the black point to 0 in the scanner software.",
        100 * clipped_low()));
  }
  if (stretched_from_8_bits()) {
    notes.push_back(
        "The file says 16 bits but holds only the 256 levels of an 8-bit scan. Choose 48-bit "
        "colour "
        "or 16-bit grey in the scanner software.");
  } else if (empty_codes() > comb_worth_a_note) {
    notes.push_back(
        fmt::format("{:.0f} % of the codes between the lights and the darks are empty, as after a "
                    "stretch of an "
                    "8-bit scan. Switch off automatic contrast, levels and tone curves in the "
                    "scanner software.",
                    100 * empty_codes()));
  }
  return notes;
}

}  // namespace rebite::scan
