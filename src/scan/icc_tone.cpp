#include "scan/icc_tone.h"

#include <fmt/format.h>
#include <lcms2.h>

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <new>
#include <type_traits>
#include <utility>

namespace rebite::scan {
namespace {

std::string colours_name(cmsColorSpaceSignature s) {
  switch (s) {
    case cmsSigGrayData:
      return "grey";
    case cmsSigRgbData:
      return "RGB";
    case cmsSigCmykData:
      return "CMYK";
    case cmsSigLabData:
      return "Lab";
    default:
      return "other colours";
  }
}

std::string describe(cmsHPROFILE profile) {
  char text[256] = "";
  cmsGetProfileInfoASCII(profile, cmsInfoDescription, "en", "US", text, sizeof text);
  std::string clean;
  for (const char* c = text; *c; ++c) clean += *c >= 0x20 && *c < 0x7f ? *c : '?';
  return clean.empty() ? "unnamed profile" : clean;
}

// Why a readable profile does not fit the picture, or "".
std::string misfit(cmsHPROFILE profile, int channels) {
  const cmsColorSpaceSignature space = cmsGetColorSpace(profile);
  const cmsColorSpaceSignature wanted = channels == 1 ? cmsSigGrayData : cmsSigRgbData;
  if (space != wanted) {
    return fmt::format(
        "The embedded profile \"{}\" is for {} but the picture is {}: the file contradicts itself",
        describe(profile),
        colours_name(space),
        channels == 1 ? "grey" : "RGB");
  }
  const cmsProfileClassSignature kind = cmsGetDeviceClass(profile);
  if (kind != cmsSigInputClass && kind != cmsSigDisplayClass && kind != cmsSigOutputClass &&
      kind != cmsSigColorSpaceClass) {
    return fmt::format("The embedded profile \"{}\" is not one of a device (a link or effect)",
                       describe(profile));
  }
  return "";
}

}  // namespace

struct IccTone::Handles {
  struct ContextOff {
    void operator()(cmsContext c) const { cmsDeleteContext(c); }
  };
  struct ProfileOff {
    void operator()(cmsHPROFILE p) const { cmsCloseProfile(p); }
  };
  struct TransformOff {
    void operator()(cmsHTRANSFORM t) const { cmsDeleteTransform(t); }
  };
  template <class Handle, class Off>
  using Owned = std::unique_ptr<std::remove_pointer_t<Handle>, Off>;

  Owned<cmsContext, ContextOff> context;
  Owned<cmsHPROFILE, ProfileOff> profile;
  Owned<cmsHTRANSFORM, TransformOff> transform;
};

IccTone::IccTone() : handles_(std::make_unique<Handles>()) {}
IccTone::IccTone(IccTone&&) noexcept = default;
IccTone& IccTone::operator=(IccTone&&) noexcept = default;
IccTone::~IccTone() = default;

std::expected<IccTone, std::string> IccTone::from_bytes(const std::string& bytes,
                                                        int channels,
                                                        int bits) {
  IccTone tone;
  tone.channels_ = channels;
  tone.bits_ = bits;
  Handles& h = *tone.handles_;
  h.context.reset(cmsCreateContext(nullptr, nullptr));
  if (!h.context) throw std::bad_alloc();
  cmsSetLogErrorHandlerTHR(h.context.get(), [](cmsContext, cmsUInt32Number, const char*) {});
  h.profile.reset(cmsOpenProfileFromMemTHR(
      h.context.get(), bytes.data(), static_cast<cmsUInt32Number>(bytes.size())));
  if (!h.profile) {
    return std::unexpected(fmt::format(
        "The embedded colour profile ({} bytes) is damaged or no profile", bytes.size()));
  }
  if (std::string why = misfit(h.profile.get(), channels); !why.empty()) {
    return std::unexpected(std::move(why));
  }
  tone.description_ = describe(h.profile.get());
  Handles::Owned<cmsHPROFILE, Handles::ProfileOff> xyz(cmsCreateXYZProfileTHR(h.context.get()));
  if (!xyz) throw std::bad_alloc();
  // Floats on both sides: no rounding to 16 bits in the darks, no cache (no shared state).
  h.transform.reset(cmsCreateTransformTHR(h.context.get(),
                                          h.profile.get(),
                                          channels == 1 ? TYPE_GRAY_FLT : TYPE_RGB_FLT,
                                          xyz.get(),
                                          TYPE_XYZ_FLT,
                                          INTENT_RELATIVE_COLORIMETRIC,
                                          cmsFLAGS_NOCACHE | cmsFLAGS_NOOPTIMIZE));
  if (!h.transform) {
    return std::unexpected(
        fmt::format("The embedded profile \"{}\" lacks what is needed to turn codes into tones",
                    tone.description_));
  }
  tone.fill_tables(bits == 8 ? 256 : 65536);
  if (!tone.tables_agree()) tone.tables_.clear();
  const std::array<float, 3> white{1, 1, 1};
  const std::array<float, 3> black{0, 0, 0};
  const double y1 = tone.luminance(white), y0 = tone.luminance(black);
  if (!std::isfinite(y1) || !std::isfinite(y0) || y1 < 0.05 || y1 > 5 || y1 <= y0) {
    return std::unexpected(
        fmt::format("The embedded profile \"{}\" gives white the luminance {:.3g} and black {:.3g}",
                    tone.description_,
                    y1,
                    y0));
  }
  return tone;
}

double IccTone::luminance(const std::array<float, 3>& code) const {
  float xyz[3] = {0, 0, 0};
  cmsDoTransform(handles_->transform.get(), code.data(), xyz, 1);
  return xyz[1];
}

// Matrix/curve profiles are sums over the channels: Y(r,g,b) = Y(r,0,0) + Y(0,g,0) + Y(0,0,b)
// - 2 Y(0,0,0). Every code is looked up once here instead of once per pixel.
void IccTone::fill_tables(std::size_t codes) {
  const auto n = static_cast<std::size_t>(channels_);
  std::vector<float> in(codes * n), xyz(codes * 3);
  const double black = luminance({0, 0, 0});
  for (std::size_t k = 0; k < n; ++k) {
    std::fill(in.begin(), in.end(), 0.0F);
    for (std::size_t c = 0; c < codes; ++c) {
      in[c * n + k] = static_cast<float>(double(c) / double(codes - 1));
    }
    cmsDoTransform(
        handles_->transform.get(), in.data(), xyz.data(), static_cast<cmsUInt32Number>(codes));
    std::vector<float> table(codes);
    for (std::size_t c = 0; c < codes; ++c) {
      const double y = xyz[c * 3 + 1];
      table[c] = static_cast<float>(k == 0 ? y : y - black);
    }
    tables_.push_back(std::move(table));
  }
}

bool IccTone::tables_agree() const {
  if (channels_ == 1) return true;
  const auto top = static_cast<double>(tables_[0].size() - 1);
  std::uint32_t state = 12345;  // fixed: the same file is read the same way every time
  const auto next = [&state, top] {
    state = state * 1664525U + 1013904223U;
    return static_cast<std::size_t>((state >> 8) / 16777216.0 * (top + 1));
  };
  for (int i = 0; i < 64; ++i) {
    // Half of them near grey, where the scans are.
    const std::size_t r = next();
    const std::size_t g = i % 2 ? next() : r;
    const std::size_t b = i % 2 ? next() : r;
    const double sum = double(tables_[0][r]) + double(tables_[1][g]) + double(tables_[2][b]);
    const double y = luminance({static_cast<float>(double(r) / top),
                                static_cast<float>(double(g) / top),
                                static_cast<float>(double(b) / top)});
    if (!(std::abs(sum - y) < 1e-4 * std::max(0.02, y))) return false;
  }
  return true;
}

void IccTone::line(const void* samples, int pixel_stride, int width, float* y) const {
  constexpr int most = 512;
  float in[most * 3];
  float xyz[most * 3];
  const float scale = bits_ == 8 ? 1.0F / 255.0F : 1.0F / 65535.0F;
  const auto* bytes = static_cast<const std::uint8_t*>(samples);
  const auto* words = static_cast<const std::uint16_t*>(samples);
  for (int x0 = 0; x0 < width; x0 += most) {
    const int n = std::min(most, width - x0);
    for (int x = 0; x < n; ++x) {
      const std::ptrdiff_t at = static_cast<std::ptrdiff_t>(x0 + x) * pixel_stride;
      for (int k = 0; k < channels_; ++k) {
        const int code = bits_ == 8 ? bytes[at + k] : words[at + k];
        in[x * channels_ + k] = static_cast<float>(code) * scale;
      }
    }
    cmsDoTransform(handles_->transform.get(), in, xyz, static_cast<cmsUInt32Number>(n));
    for (int x = 0; x < n; ++x) y[x0 + x] = xyz[x * 3 + 1];
  }
}

}  // namespace rebite::scan
