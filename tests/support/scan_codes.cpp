#include <algorithm>
#include <cassert>
#include <cmath>
#include <opencv2/core/utility.hpp>

#include "tests/support/chance.h"
#include "tests/support/sheet_render.h"

namespace rebite::maker {
namespace {

std::vector<float> gaussian(double sigma_px) {
  const int reach = static_cast<int>(std::ceil(3.5 * sigma_px));
  std::vector<double> w;
  double sum = 0;
  for (int i = -reach; i <= reach; ++i) {
    w.push_back(std::exp(-0.5 * i * i / (sigma_px * sigma_px)));
    sum += w.back();
  }
  std::vector<float> kernel;
  for (const double v : w) kernel.push_back(static_cast<float>(v / sum));
  return kernel;
}

int mirrored(int i, int n) {
  while (i < 0 || i >= n) i = i < 0 ? -i - 1 : 2 * n - i - 1;
  return i;
}

// Tone code 0..1 of a reflectance 0..1.
double tone_code(ScannerTone tone, double r) {
  r = std::clamp(r, 0.0, 1.0);
  switch (tone) {
    case ScannerTone::srgb:  // IEC 61966-2-1
      return r <= 0.0031308 ? 12.92 * r : 1.055 * std::pow(r, 1 / 2.4) - 0.055;
    case ScannerTone::linear:
      return r;
    case ScannerTone::gamma18:
      return std::pow(r, 1 / 1.8);
    case ScannerTone::contrasty: {
      // A gamma with a soft S over it: what "auto" settings do. Rising everywhere.
      const double v = std::pow(r, 1 / 2.0);
      return 0.02 + 0.95 * (0.55 * v + 0.45 * v * v * (3 - 2 * v));
    }
  }
  return r;
}

class ToneTable {
 public:
  explicit ToneTable(ScannerTone tone) : table_(size + 2) {
    for (size_t i = 0; i < table_.size(); ++i) {
      // Nodes at squares: dense in the darks, where the curves are steep.
      const double u = static_cast<double>(i) / size;
      table_[i] = static_cast<float>(tone_code(tone, u * u));
    }
  }
  float of(float reflectance) const {
    const float u = std::sqrt(std::clamp(reflectance, 0.F, 1.F)) * size;
    const auto i = static_cast<size_t>(u);
    return table_[i] + (u - static_cast<float>(i)) * (table_[i + 1] - table_[i]);
  }

 private:
  static constexpr int size = 16384;
  std::vector<float> table_;
};

template <typename Code>
void write_codes(const cv::Mat1f& image, const Scanner& scanner, cv::Mat& out) {
  constexpr float top = std::numeric_limits<Code>::max();
  std::vector<ToneTable> tones;
  for (int k = 0; k < scanner.channels; ++k) {
    tones.emplace_back(scanner.channel_tones.empty()
                           ? scanner.tone
                           : scanner.channel_tones[static_cast<std::size_t>(k)]);
  }
  const Waves light(mix(scanner.seed, 0x6c69), 150, 420);
  const double px_per_mm = scanner.dpi / 25.4;
  const auto flare = static_cast<float>(scanner.flare);
  const auto noise = static_cast<float>(scanner.noise);
  const int channels = scanner.channels;
  cv::parallel_for_({0, image.rows}, [&](const cv::Range& range) {
    for (int row = range.start; row < range.end; ++row) {
      const float* in = image.ptr<float>(row);
      Code* to = out.ptr<Code>(row);
      for (int column = 0; column < image.cols; ++column) {
        float r = static_cast<float>(scanner.exposure) * in[column];
        if (scanner.uneven_light != 0) {
          r *= 1 + static_cast<float>(scanner.uneven_light *
                                      light.unit_peak(column / px_per_mm, row / px_per_mm));
        }
        r += flare;
        for (int k = 0; k < channels; ++k) {
          const auto bits = mix(scanner.seed + static_cast<std::uint64_t>(k) * 0x51ed27,
                                std::int64_t{column},
                                std::int64_t{row});
          const float seen = noise > 0 ? r * (1 + noise * static_cast<float>(bell(bits))) : r;
          *to++ = static_cast<Code>(std::clamp(tones[static_cast<std::size_t>(k)].of(seen), 0.F, 1.F) * top + 0.5F);
        }
      }
    }
  });
}

}  // namespace

void blur_rows_and_columns(cv::Mat1f& image, double sigma_x, double sigma_y) {
  cv::Mat1f across = image.clone();
  if (sigma_x > 0.01) {
    const auto kernel = gaussian(sigma_x);
    const int reach = static_cast<int>(kernel.size()) / 2;
    cv::parallel_for_({0, image.rows}, [&](const cv::Range& range) {
      for (int r = range.start; r < range.end; ++r) {
        const float* in = image.ptr<float>(r);
        float* out = across.ptr<float>(r);
        for (int c = 0; c < image.cols; ++c) {
          float sum = 0;
          const bool whole = c >= reach && c + reach < image.cols;
          for (int k = -reach; k <= reach; ++k) {
            const int from = whole ? c + k : mirrored(c + k, image.cols);
            sum += kernel[static_cast<size_t>(k + reach)] * in[from];
          }
          out[c] = sum;
        }
      }
    });
  }
  if (sigma_y <= 0.01) {
    image = across;
    return;
  }
  const auto kernel = gaussian(sigma_y);
  const int reach = static_cast<int>(kernel.size()) / 2;
  cv::parallel_for_({0, image.rows}, [&](const cv::Range& range) {
    for (int r = range.start; r < range.end; ++r) {
      float* out = image.ptr<float>(r);
      std::fill(out, out + image.cols, 0.F);
      for (int k = -reach; k <= reach; ++k) {
        const float w = kernel[static_cast<size_t>(k + reach)];
        const float* in = across.ptr<float>(mirrored(r + k, image.rows));
        for (int c = 0; c < image.cols; ++c) out[c] += w * in[c];
      }
    }
  });
}

cv::Mat scan_codes(const cv::Mat1f& absolute, const Scanner& scanner) {
  assert(scanner.bits == 8 || scanner.bits == 16);
  assert(scanner.channels == 1 || scanner.channels == 3);
  assert(scanner.channel_tones.empty() ||
         static_cast<int>(scanner.channel_tones.size()) == scanner.channels);
  cv::Mat1f image = absolute.clone();
  const double dpi_y = scanner.dpi_y > 0 ? scanner.dpi_y : scanner.dpi;
  blur_rows_and_columns(
      image, scanner.blur_mm * scanner.dpi / 25.4, scanner.blur_mm * dpi_y / 25.4);
  cv::Mat out(image.size(), CV_MAKETYPE(scanner.bits == 8 ? CV_8U : CV_16U, scanner.channels));
  if (scanner.bits == 8) {
    write_codes<std::uint8_t>(image, scanner, out);
  } else {
    write_codes<std::uint16_t>(image, scanner, out);
  }
  return out;
}

}  // namespace rebite::maker
