#include "tests/sheets/colours.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace rebite::maker {
namespace {

using Matrix = std::array<Triple, 3>;

Triple times(const Matrix& m, const Triple& v) {
  Triple out{};
  for (std::size_t i = 0; i < 3; ++i) out[i] = m[i][0] * v[0] + m[i][1] * v[1] + m[i][2] * v[2];
  return out;
}

Triple clamped(Triple v) {
  for (double& c : v) c = std::clamp(c, 0.0, 1.0);
  return v;
}

double radians(double degrees) { return degrees * std::numbers::pi / 180; }
double hue(double b, double a) {
  if (a == 0 && b == 0) return 0;
  const double h = std::atan2(b, a) * 180 / std::numbers::pi;
  return h < 0 ? h + 360 : h;
}

double mean_hue(double h1, double h2, double c1, double c2) {
  if (c1 * c2 == 0) return h1 + h2;
  if (std::abs(h1 - h2) <= 180) return (h1 + h2) / 2;
  return h1 + h2 < 360 ? (h1 + h2 + 360) / 2 : (h1 + h2 - 360) / 2;
}

double luminance(const Triple& srgb) {
  const Triple l = linear(srgb);
  return 0.2126 * l[0] + 0.7152 * l[1] + 0.0722 * l[2];
}

}  // namespace

Triple linear(const Triple& srgb) {
  Triple out{};
  for (std::size_t i = 0; i < 3; ++i)
    out[i] = srgb[i] <= 0.04045 ? srgb[i] / 12.92 : std::pow((srgb[i] + 0.055) / 1.055, 2.4);
  return out;
}

Triple lab(const Triple& rgb) {
  constexpr Matrix xyz{{{0.4124564, 0.3575761, 0.1804375},
                        {0.2126729, 0.7151522, 0.0721750},
                        {0.0193339, 0.1191920, 0.9503041}}};
  constexpr Triple white{0.95047, 1.0, 1.08883};
  Triple f = times(xyz, rgb);
  for (std::size_t i = 0; i < 3; ++i) {
    const double t = f[i] / white[i];
    f[i] = t > 216.0 / 24389 ? std::cbrt(t) : (24389.0 / 27 * t + 16) / 116;
  }
  return {116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])};
}

double ciede2000(const Triple& p, const Triple& q) {
  const double mean_c = (std::hypot(p[1], p[2]) + std::hypot(q[1], q[2])) / 2;
  const double c7 = std::pow(mean_c, 7);
  const double g = 0.5 * (1 - std::sqrt(c7 / (c7 + std::pow(25.0, 7))));
  const double a1 = (1 + g) * p[1], a2 = (1 + g) * q[1];
  const double c1 = std::hypot(a1, p[2]), c2 = std::hypot(a2, q[2]);
  const double h1 = hue(p[2], a1), h2 = hue(q[2], a2);
  double dh = c1 * c2 == 0 ? 0 : h2 - h1;
  if (dh > 180) dh -= 360;
  if (dh < -180) dh += 360;
  const double dl = q[0] - p[0], dc = c2 - c1;
  const double dhh = 2 * std::sqrt(c1 * c2) * std::sin(radians(dh / 2));
  const double l = (p[0] + q[0]) / 2, c = (c1 + c2) / 2, h = mean_hue(h1, h2, c1, c2);
  const double t = 1 - 0.17 * std::cos(radians(h - 30)) + 0.24 * std::cos(radians(2 * h)) +
                   0.32 * std::cos(radians(3 * h + 6)) - 0.20 * std::cos(radians(4 * h - 63));
  const double turn = 30 * std::exp(-std::pow((h - 275) / 25, 2));
  const double cc7 = std::pow(c, 7);
  const double rc = 2 * std::sqrt(cc7 / (cc7 + std::pow(25.0, 7)));
  const double sl = 1 + 0.015 * std::pow(l - 50, 2) / std::sqrt(20 + std::pow(l - 50, 2));
  const double sc = 1 + 0.045 * c, sh = 1 + 0.015 * c * t;
  const double rt = -std::sin(radians(2 * turn)) * rc;
  return std::sqrt(std::pow(dl / sl, 2) + std::pow(dc / sc, 2) + std::pow(dhh / sh, 2) +
                   rt * (dc / sc) * (dhh / sh));
}

double contrast(const Triple& a, const Triple& b) {
  const double la = luminance(a), lb = luminance(b);
  return (std::max(la, lb) + 0.05) / (std::min(la, lb) + 0.05);
}

Triple machado(const Triple& rgb, Sight sight) {
  constexpr Matrix protan{{{0.152286, 1.052583, -0.204868},
                           {0.114503, 0.786281, 0.099216},
                           {-0.003882, -0.048116, 1.051998}}};
  constexpr Matrix deutan{{{0.367322, 0.860646, -0.227968},
                           {0.280085, 0.672501, 0.047413},
                           {-0.011820, 0.042940, 0.968881}}};
  constexpr Matrix tritan{{{1.255528, -0.076749, -0.178779},
                           {-0.078411, 0.930809, 0.147602},
                           {0.004733, 0.691367, 0.303900}}};
  switch (sight) {
    case Sight::protanopia:
      return clamped(times(protan, rgb));
    case Sight::deuteranopia:
      return clamped(times(deutan, rgb));
    case Sight::tritanopia:
      return clamped(times(tritan, rgb));
    case Sight::usual:
      break;
  }
  return rgb;
}

Triple vienot(const Triple& rgb, Sight sight) {
  constexpr Matrix to_lms{
      {{17.8824, 43.5161, 4.11935}, {3.45565, 27.1554, 3.86714}, {0.0299566, 0.184309, 1.46709}}};
  constexpr Matrix from_lms{{{0.0809444479, -0.130504409, 0.116721066},
                             {-0.0102485335, 0.0540193266, -0.113614708},
                             {-0.000365296938, -0.00412161469, 0.693511405}}};
  Triple lms = times(to_lms, rgb);
  if (sight == Sight::protanopia) lms[0] = 2.02344 * lms[1] - 2.52581 * lms[2];
  if (sight == Sight::deuteranopia) lms[1] = 0.494207 * lms[0] + 1.24827 * lms[2];
  return clamped(times(from_lms, lms));
}

}  // namespace rebite::maker
