// What the codes of a scan say about the scanner's settings.
#pragma once

#include <cstdint>
#include <vector>

#include "scan/pixel_source.h"

namespace rebite::scan {

struct CodeRange {
  double low = 0, high = 1;  // of full scale
};

// Counts codes of the green (or grey) channel, and pixels at the ends of the scale.
class CodeCensus {
 public:
  CodeCensus(int bits, int channels);
  // Pixels that leave these ranges are counted as well: one for each channel (a pixel is outside with
  // any of them), or one for the grey code or the luminance of the codes.
  void watch(std::vector<CodeRange> ranges);
  void take(const Block& block);

  double pixels() const { return pixels_; }
  double clipped_high() const;  // share of pixels with a channel at the top code
  double clipped_low() const;   // share of pixels with all channels at code 0
  // 16-bit samples that hold no more than 256 evenly spaced levels.
  bool stretched_from_8_bits() const;
  // Share of empty codes between the 1st and 99th percentile of the picture's codes, 8-bit steps:
  // above about 0.08 the tones were stretched after scanning (automatic contrast, levels).
  double empty_codes() const;
  // The code below which all but a thousandth of the pixels lie, 0..1 of full scale.
  double top_code() const;
  // Share of pixels outside the watched ranges.
  double share_outside() const;

  // Notes with the shares and what to switch off.
  Notes notes(bool lossy) const;

 private:
  template <class T>
  void count(const Block& block);
  template <class T>
  void count_outside(const Block& block);
  int bits_;
  int channels_;
  std::vector<std::uint32_t> histogram_;
  std::vector<CodeRange> watched_;
  double pixels_ = 0, high_ = 0, low_ = 0, outside_ = 0;
};

}  // namespace rebite::scan
