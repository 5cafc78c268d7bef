#include "scan/grey_fit.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <limits>
#include <memory>
#include <opencv2/core.hpp>
#include <utility>

#include "scan/monotone.h"
#include "scan/tone_table.h"

namespace rebite::scan {
namespace {

enum class Decode { srgb, power };

double log_light(double code, Decode decode) {
  const double c = std::max(code, 1e-6);
  return std::log10(decode == Decode::srgb ? srgb_to_linear(c) : c);
}

// Part 1: log10 L = c + g log10(R + flare).
struct Common {
  Decode decode = Decode::srgb;
  double c = 0, g = 1, flare = 0;
  double error = std::numeric_limits<double>::max();  // mean square, in density
  // Density of a code.
  double density(double code) const {
    const double r = std::pow(10.0, (log_light(code, decode) - c) / g) - flare;
    return -std::log10(std::max(r, 1e-5));
  }
};

Common fit_line(const std::vector<CodeDensity>& p, Decode decode, double flare) {
  double n = 0, sx = 0, sy = 0, sxx = 0, sxy = 0;
  for (const CodeDensity& q : p) {
    const double r = std::pow(10.0, -q.density);
    const double x = std::log10(r + flare), y = log_light(q.code, decode);
    // An error of density counts less in log10(R + flare) the more flare there is.
    const double w = (r / (r + flare)) * (r / (r + flare));
    n += w;
    sx += w * x;
    sy += w * y;
    sxx += w * x * x;
    sxy += w * x * y;
  }
  Common m;
  m.decode = decode;
  m.flare = flare;
  m.g = (n * sxy - sx * sy) / (n * sxx - sx * sx);
  m.c = (sy - m.g * sx) / n;
  if (!(m.g > 0.05)) return m;
  m.error = 0;
  for (const CodeDensity& q : p) {
    const double e = m.density(q.code) - q.density;
    m.error += e * e;
  }
  m.error /= double(p.size());
  return m;
}

Common fit_common(const std::vector<CodeDensity>& p) {
  Common best;
  for (const Decode decode : {Decode::srgb, Decode::power}) {
    double flare = 0, width = 0.05;
    Common local = fit_line(p, decode, 0);
    // The error has one valley in flare: narrowing grids.
    for (int round = 0; round < 5; ++round) {
      const double middle = flare;
      for (int i = -20; i <= 20; ++i) {
        const double f = std::clamp(middle + width * i / 20, 0.0, 0.05);
        const Common m = fit_line(p, decode, f);
        if (m.error < local.error) {
          local = m;
          flare = f;
        }
      }
      width /= 8;
    }
    if (local.error < best.error) best = local;
  }
  return best;
}

// Part 2: z minimising |z - d|^2 + stiffness * |second divided differences|^2.
std::vector<double> smooth(const std::vector<double>& x,
                           const std::vector<double>& d,
                           double stiffness) {
  const int n = static_cast<int>(x.size());
  cv::Mat1d a(n, n, 0.0), b(n, 1), z;
  for (int i = 0; i < n; ++i) a(i, i) = 1;
  for (int i = 0; i < n; ++i) b(i) = d[static_cast<std::size_t>(i)];
  for (int i = 1; i + 1 < n; ++i) {
    const auto k = static_cast<std::size_t>(i);
    const double h0 = x[k] - x[k - 1], h1 = x[k + 1] - x[k];
    const double row[3] = {1 / h0, -1 / h0 - 1 / h1, 1 / h1};
    const double w = stiffness / (0.5 * (h0 + h1));
    for (int p = 0; p < 3; ++p) {
      for (int q = 0; q < 3; ++q) a(i - 1 + p, i - 1 + q) += w * row[p] * row[q];
    }
  }
  cv::solve(a, b, z, cv::DECOMP_CHOLESKY);
  return {z.begin(), z.end()};
}

// Both parts together.
class Curve {
 public:
  Curve(const Common& common, const std::vector<CodeDensity>& p, double stiffness)
      : common_(common) {
    std::vector<double> x, d;
    for (const CodeDensity& q : p) {
      x.push_back(log_light(q.code, common_.decode));
      d.push_back(q.density - common_.density(q.code));
    }
    own_ = std::make_unique<Monotone>(x, smooth(x, d, stiffness));
  }
  double density(double code) const {
    return common_.density(code) + own_->at(log_light(code, common_.decode));
  }
  double flare() const { return common_.flare; }

 private:
  Common common_;
  std::unique_ptr<Monotone> own_;
};

// The patches without one of them, and what all scanners have in common fitted to those.
struct WithoutOne {
  std::vector<CodeDensity> rest;
  Common common;
};

std::vector<WithoutOne> leave_each_out(const std::vector<CodeDensity>& p) {
  std::vector<WithoutOne> all;
  for (std::size_t i = 0; i < p.size(); ++i) {
    WithoutOne w{p, {}};
    w.rest.erase(w.rest.begin() + static_cast<std::ptrdiff_t>(i));
    w.common = fit_common(w.rest);
    all.push_back(std::move(w));
  }
  return all;
}

std::vector<double> left_out_errors(const std::vector<CodeDensity>& p,
                                    const std::vector<WithoutOne>& without,
                                    double stiffness) {
  std::vector<double> e;
  for (std::size_t i = 0; i < p.size(); ++i) {
    const Curve curve(without[i].common, without[i].rest, stiffness);
    e.push_back(curve.density(p[i].code) - p[i].density);
  }
  return e;
}

// The end patches are reached by going on beyond the others, which the curve is never used for.
double inner_rms(const std::vector<double>& e) {
  double sum = 0;
  for (std::size_t i = 1; i + 1 < e.size(); ++i) sum += e[i] * e[i];
  return std::sqrt(sum / double(e.size() - 2));
}

void table(const Curve& curve, const std::vector<CodeDensity>& p, GreyFit& fit) {
  constexpr int between = 8;
  double last = 0;
  const auto add = [&](double code) {
    // Rising by at least a hair, whatever the smoothing did.
    const double r = std::max(std::pow(10.0, -curve.density(code)), last * (1 + 1e-7));
    fit.code.push_back(code);
    fit.reflectance.push_back(r);
    last = r;
  };
  for (std::size_t i = 0; i < p.size(); ++i) {
    add(p[i].code);
    if (i + 1 == p.size()) break;
    for (int k = 1; k <= between; ++k) {
      add(p[i].code + (p[i + 1].code - p[i].code) * k / (between + 1));
    }
  }
}

}  // namespace

GreyFit fit_greys(const std::vector<CodeDensity>& patches) {
  assert(patches.size() >= 5);
  double stiffness = 0, least = std::numeric_limits<double>::max();
  GreyFit fit;
  const std::vector<WithoutOne> without = leave_each_out(patches);
  // Stiffest first: a looser curve must earn its freedom by 5 %.
  for (const double s : {1e4, 1.0, 0.1, 0.03, 0.01, 3e-3, 1e-3, 3e-4, 1e-4, 1e-5}) {
    std::vector<double> e = left_out_errors(patches, without, s);
    const double rms = inner_rms(e);
    if (rms < 0.95 * least) {
      least = rms;
      stiffness = s;
      fit.left_out = std::move(e);
    }
  }
  const Curve curve(fit_common(patches), patches, stiffness);
  fit.flare = curve.flare();
  fit.residual_sd = least;
  table(curve, patches, fit);
  const Monotone tabled(fit.code, log10_of(fit.reflectance));
  for (const CodeDensity& p : patches) fit.residual.push_back(-tabled.at(p.code) - p.density);
  return fit;
}

}  // namespace rebite::scan
