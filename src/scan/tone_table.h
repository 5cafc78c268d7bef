// Codes of a scan -> absolute linear reflectance, in the order of trust: the scanner's measured
// curve, the embedded profile, the PNG gamma, sRGB (design.md, computation 1).
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "scan/density_image.h"
#include "scan/icc_tone.h"
#include "scan/pixel_source.h"
#include "scan/scanner_curve.h"

namespace rebite::scan {

// IEC 61966-2-1: code 0..1 to linear light 0..1.
double srgb_to_linear(double code);
double linear_to_srgb(double linear);

// Luminance weights of linear sRGB / Rec. 709 primaries (IEC 61966-2-1), used on linear values
// where the file gives no others, and by convention on codes for the scanner curve.
inline constexpr double luminance_weights[3] = {0.2126, 0.7152, 0.0722};

// How far apart two neighbouring codes of 8 bits may lie at D 1.4 (log10 units) before it is worth
// a note: sRGB has 0.015, a linear scan 0.04. Where no grain blurs the codes, as on the even patches
// of a grey scale, a mean cannot be truer than about a quarter of that.
inline constexpr double coarse_code_step = 0.03;
struct CodeStep {
  double step = 0;   // log10 units
  double at = 0;     // density
};
// Between two neighbouring 8-bit codes at D 1.4, or at the darkest tone that is told where that is
// lighter (a curve holds its end below). `reflectance` of each of the 256 codes, rising.
CodeStep code_step_in_darks(const std::vector<double>& reflectance);
// What to say of such a scan.
std::string coarse_codes_note(const CodeStep& step);

enum class ToneWay {
  reflectance,  // the usual
  codes,        // the code itself, 0..1, luminance-weighted: for measuring the scanner
  red_codes,    // of one channel of a colour scan
  green_codes,
  blue_codes,
};

class ToneTable {
 public:
  static ToneTable make(const FileFacts& facts,
                        const ScannerCurve* scanner,
                        ToneWay way = ToneWay::reflectance);
  ToneSource source() const { return source_; }
  const std::string& profile() const { return profile_; }
  const ToneDoubt& doubt() const { return doubt_; }
  const Notes& notes() const { return notes_; }
  // Row `row` of the block as reflectance, `block.width` floats.
  void convert(const Block& block, int row, float* out) const;

 private:
  void use_profile(const FileFacts& facts);
  void use_scanner(const FileFacts& facts, const ScannerCurve& scanner);
  void use_codes(const FileFacts& facts, ToneWay way);
  // Reflectance of the 256 neutral codes of an 8-bit scan.
  std::vector<double> of_neutral_codes() const;
  void use_gamma(const FileFacts& facts);
  void use_srgb(const FileFacts& facts);
  // linear(channel, code 0..1) is what the channel adds before it is weighed.
  template <class F>
  void fill(const FileFacts& facts, F linear);

  template <class T>
  void sums(const T* samples, int stride, int width, float* out) const;
  template <class T>
  void weighted(const T* samples, int stride, int width, float* out) const;

  ToneSource source_ = ToneSource::srgb_assumed;
  std::string profile_;
  ToneDoubt doubt_;
  Notes notes_;
  int bits_ = 8;
  int channels_ = 1;
  std::vector<std::vector<float>> tables_;  // summed over the channels
  std::vector<float> of_luminance_;         // 65536 entries over luminance-weighted code
  std::optional<IccTone> icc_;              // only for table profiles
};

}  // namespace rebite::scan
