#include "scan/tone_table.h"

#include <fmt/format.h>

#include <algorithm>
#include <cassert>
#include <cmath>

#include "scan/monotone.h"

namespace rebite::scan {
namespace {

// How far a scanner's real tone may stray from what stands in the file, as a share of the density
// (one sd). Common practice, no source: a profile is a maker's average, its flare unknown; sRGB is
// a guess. The floor is the paper's own reading.
constexpr ToneDoubt doubt_profile{0.005, 0.02};
constexpr ToneDoubt doubt_gamma{0.005, 0.04};
constexpr ToneDoubt doubt_srgb{0.005, 0.05};
constexpr double dark = 1.4;  // where the step of an 8-bit code is judged

// CodeCurve::pixel_reflectance_of for many codes.
class PixelCurve {
 public:
  explicit PixelCurve(const CodeCurve& curve)
      : curve_(curve), inside_(curve.code, log10_of(curve.reflectance)) {}
  double at(double code) const {
    return code < curve_.code.front() ? curve_.pixel_reflectance_of(code)
                                      : std::pow(10.0, inside_.at(code));
  }

 private:
  const CodeCurve& curve_;
  Monotone inside_;
};

}  // namespace

double srgb_to_linear(double code) {
  return code <= 0.04045 ? code / 12.92 : std::pow((code + 0.055) / 1.055, 2.4);
}

double linear_to_srgb(double linear) {
  return linear <= 0.0031308 ? linear * 12.92 : 1.055 * std::pow(linear, 1 / 2.4) - 0.055;
}

ToneTable ToneTable::make(const FileFacts& facts, const ScannerCurve* scanner, ToneWay way) {
  ToneTable t;
  t.bits_ = facts.bits;
  t.channels_ = facts.channels;
  if (!facts.icc.empty()) t.use_profile(facts);  // also for its name and its notes
  if (way != ToneWay::reflectance) {
    t.use_codes(facts, way);
  } else if (scanner) {
    t.icc_.reset();
    t.use_scanner(facts, *scanner);
  } else if (t.source_ == ToneSource::icc_profile) {
    // done
  } else if (facts.tagged_srgb || facts.file_gamma > 0) {
    t.use_gamma(facts);
  } else {
    t.use_srgb(facts);
  }
  if (way == ToneWay::reflectance && facts.bits == 8) {
    const CodeStep darks = code_step_in_darks(t.of_neutral_codes());
    if (darks.step > coarse_code_step) {
      t.notes_.push_back(coarse_codes_note(darks));
      // Rounding to a code is uniform: sd = step / sqrt(12), told as a share of the density.
      t.doubt_.relative = std::hypot(t.doubt_.relative, darks.step / std::sqrt(12.0) / darks.at);
    }
  }
  return t;
}

std::vector<double> ToneTable::of_neutral_codes() const {
  std::vector<double> out(256);
  if (icc_) {
    std::vector<std::uint8_t> codes;
    for (int c = 0; c < 256; ++c) {
      codes.insert(codes.end(), static_cast<std::size_t>(channels_), static_cast<std::uint8_t>(c));
    }
    std::vector<float> light(256);
    icc_->line(codes.data(), channels_, 256, light.data());
    out.assign(light.begin(), light.end());
    return out;
  }
  for (std::size_t c = 0; c < out.size(); ++c) {
    if (!of_luminance_.empty()) out[c] = double(of_luminance_[c * 257]);
    for (const auto& table : tables_) out[c] += double(table[c]);
  }
  return out;
}

CodeStep code_step_in_darks(const std::vector<double>& reflectance) {
  assert(reflectance.size() == 256);
  const double wanted = std::pow(10.0, -dark);
  const double held = reflectance.front() * (1 + 1e-6);  // the end, below which nothing is told
  for (std::size_t c = 1; c + 1 < reflectance.size(); ++c) {
    if (reflectance[c] < wanted || reflectance[c] <= held) continue;
    // From the end itself to the next code is a part of a step only.
    const bool from_end = reflectance[c - 1] <= held && reflectance[c - 1] > wanted;
    const double low = reflectance[from_end ? c : c - 1], high = reflectance[from_end ? c + 1 : c];
    return {low > 0 ? std::log10(high / low) : 1, from_end ? -std::log10(low) : dark};
  }
  return {};
}

std::string coarse_codes_note(const CodeStep& step) {
  return fmt::format(
      "At D {:.1f} two neighbouring codes of this 8-bit scan lie {:.3f} D apart, because its tones "
      "are nearly linear in light: darks cannot be read closer. Scan with 16 bits, or set the "
      "scanner's output to a gamma of 2.2 or sRGB.",
      step.at,
      step.step);
}

template <class F>
void ToneTable::fill(const FileFacts& facts, F linear) {
  const std::size_t codes = facts.bits == 8 ? 256 : 65536;
  tables_.clear();
  for (std::size_t k = 0; k < static_cast<std::size_t>(facts.channels); ++k) {
    const double w = facts.channels == 1 ? 1
                     : facts.weights     ? (*facts.weights)[k]
                                         : luminance_weights[k];
    std::vector<float> table(codes);
    for (std::size_t c = 0; c < codes; ++c) {
      table[c] = w == 0 ? 0.F : static_cast<float>(w * linear(k, double(c) / double(codes - 1)));
    }
    tables_.push_back(std::move(table));
  }
}

void ToneTable::use_profile(const FileFacts& facts) {
  auto icc = IccTone::from_bytes(facts.icc, facts.channels, facts.bits);
  if (!icc) {
    notes_.push_back(icc.error() + "; it was not used.");
    return;
  }
  profile_ = icc->description();
  source_ = ToneSource::icc_profile;
  doubt_ = doubt_profile;
  if (icc->tables().empty()) {
    icc_ = std::move(*icc);
  } else {
    tables_ = icc->tables();
  }
}

void ToneTable::use_codes(const FileFacts& facts, ToneWay way) {
  icc_.reset();
  FileFacts plain = facts;
  plain.weights.reset();
  if (way != ToneWay::codes) {
    assert(facts.channels == 3);
    const auto channel = static_cast<std::size_t>(way) - static_cast<std::size_t>(ToneWay::red_codes);
    plain.weights.emplace();
    plain.weights->fill(0);
    (*plain.weights)[channel] = 1;
  }
  fill(plain, [](std::size_t, double code) { return code; });
}

void ToneTable::use_scanner(const FileFacts& facts, const ScannerCurve& scanner) {
  source_ = ToneSource::scanner_curve;
  tables_.clear();
  if (scanner.by_channel(facts.channels)) {
    std::vector<PixelCurve> curves(scanner.channels.begin(), scanner.channels.end());
    FileFacts plain = facts;
    plain.weights.reset();
    fill(plain, [&](std::size_t k, double code) { return curves[k].at(code); });
  } else {
    const PixelCurve curve(scanner);
    of_luminance_.resize(65536);
    for (std::size_t c = 0; c < of_luminance_.size(); ++c) {
      of_luminance_[c] = static_cast<float>(curve.at(double(c) / 65535.0));
    }
  }
  // The spread of the curve itself, at paper and all along.
  doubt_ = {std::max(0.003, scanner.spread(facts.channels)), 0.005};
  if (scanner.scan_channels != 0 && scanner.scan_channels != facts.channels) {
    const auto kind = [](int channels) { return channels == 3 ? "colour" : "grey"; };
    notes_.push_back(fmt::format(
        "The scanner curve was measured on a {} scan and this scan is {}: how the scanner makes "
        "grey of its colours is not known. Scan both with the same saved settings.",
        kind(scanner.scan_channels),
        kind(facts.channels)));
    doubt_.relative = std::hypot(doubt_.relative, 0.02);
  }
  if (scanner.bits != facts.bits) {
    notes_.push_back(fmt::format(
        "The scanner curve was measured on a {}-bit scan and this scan has {} bits: scan both with "
        "the same saved settings.",
        scanner.bits,
        facts.bits));
    doubt_.relative = std::hypot(doubt_.relative, 0.02);
  }
  if (scanner.profile != profile_) {
    const auto quoted = [](const std::string& s) { return s.empty() ? "none" : "\"" + s + "\""; };
    notes_.push_back(fmt::format(
        "The scanner curve was measured on a scan with colour profile {} and this scan has {}: the "
        "settings differ, scan both with the same saved settings.",
        quoted(scanner.profile),
        quoted(profile_)));
    doubt_.relative = std::hypot(doubt_.relative, 0.03);
  }
}

void ToneTable::use_gamma(const FileFacts& facts) {
  source_ = ToneSource::file_gamma;
  doubt_ = doubt_gamma;
  if (facts.tagged_srgb) {
    FileFacts standard = facts;
    standard.weights.reset();  // sRGB says its primaries; a rounded copy of them is no news
    fill(standard, [](std::size_t, double code) { return srgb_to_linear(code); });
    return;
  }
  // gAMA holds the exponent of the camera: code = light^gamma (PNG, third edition, 11.3.2.2).
  const double exponent = 1 / facts.file_gamma;
  if (!(exponent > 0.2 && exponent < 5)) {
    notes_.push_back(
        fmt::format("The file's gamma is {:.3g}, which no scanner writes; sRGB was "
                    "assumed instead.",
                    facts.file_gamma));
    use_srgb(facts);
    return;
  }
  fill(facts, [exponent](std::size_t, double code) { return std::pow(code, exponent); });
}

void ToneTable::use_srgb(const FileFacts& facts) {
  source_ = ToneSource::srgb_assumed;
  doubt_ = doubt_srgb;
  fill(facts, [](std::size_t, double code) { return srgb_to_linear(code); });
  notes_.push_back(
      "The file has no colour profile and no scanner curve was given: its tones were read as sRGB. "
      "Densities may be off by about 5 % of their value; a grey scale scanned with the same "
      "settings "
      "(rebite scanner) makes them sure.");
}

template <class T>
void ToneTable::sums(const T* s, int stride, int width, float* out) const {
  const float* a = tables_[0].data();
  if (channels_ == 1) {
    for (int x = 0; x < width; ++x, s += stride) out[x] = a[s[0]];
    return;
  }
  const float* b = tables_[1].data();
  const float* c = tables_[2].data();
  for (int x = 0; x < width; ++x, s += stride) out[x] = a[s[0]] + b[s[1]] + c[s[2]];
}

template <class T>
void ToneTable::weighted(const T* s, int stride, int width, float* out) const {
  const float to_16 = sizeof(T) == 1 ? 257.0F : 1.0F;
  const float* table = of_luminance_.data();
  if (channels_ == 1) {
    for (int x = 0; x < width; ++x, s += stride) {
      out[x] = table[static_cast<int>(static_cast<float>(s[0]) * to_16)];
    }
    return;
  }
  const float r = static_cast<float>(luminance_weights[0]) * to_16;
  const float g = static_cast<float>(luminance_weights[1]) * to_16;
  const float b = static_cast<float>(luminance_weights[2]) * to_16;
  for (int x = 0; x < width; ++x, s += stride) {
    const float code = r * static_cast<float>(s[0]) + g * static_cast<float>(s[1]) +
                       b * static_cast<float>(s[2]) + 0.5F;
    out[x] = table[std::min(65535, static_cast<int>(code))];
  }
}

void ToneTable::convert(const Block& block, int row, float* out) const {
  const std::ptrdiff_t at = row * block.row_stride;
  const auto* bytes = static_cast<const std::uint8_t*>(block.samples) + at;
  const auto* words = static_cast<const std::uint16_t*>(block.samples) + at;
  if (icc_) {
    icc_->line(bits_ == 8 ? static_cast<const void*>(bytes) : static_cast<const void*>(words),
               block.pixel_stride,
               block.width,
               out);
  } else if (!of_luminance_.empty()) {
    bits_ == 8 ? weighted(bytes, block.pixel_stride, block.width, out)
               : weighted(words, block.pixel_stride, block.width, out);
  } else {
    bits_ == 8 ? sums(bytes, block.pixel_stride, block.width, out)
               : sums(words, block.pixel_stride, block.width, out);
  }
}

}  // namespace rebite::scan
