#include "scan/white_field.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <opencv2/core.hpp>

namespace rebite::scan {
namespace {

void fill_terms(double x, double y, int degree, double* out) {
  // Each degree is the one before times x, and one term more times y.
  const double* before = out;
  *out++ = 1;
  for (int d = 1; d <= degree; ++d) {
    double* now = out;
    for (int k = 0; k < d; ++k) *out++ = before[k] * x;
    *out++ = before[d - 1] * y;
    before = now;
  }
}

double scaled(double px, int size) { return size > 1 ? 2 * px / (size - 1) - 1 : 0; }

}  // namespace

int terms_of(int degree) { return (degree + 1) * (degree + 2) / 2; }

double WhiteField::log_at(double x_px, double y_px) const {
  double t[64];
  fill_terms(scaled(x_px, width), scaled(y_px, height), degree, t);
  double sum = 0;
  for (std::size_t i = 0; i < terms.size(); ++i) sum += terms[i] * t[i];
  return sum;
}

double WhiteField::at(double x_px, double y_px) const { return std::pow(10.0, log_at(x_px, y_px)); }

double robust_sd(std::vector<double> v) {
  if (v.empty()) return 0;
  for (double& a : v) a = std::abs(a);
  const auto mid = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), mid, v.end());
  return 1.4826 * *mid;
}

WhiteField fit_field(const std::vector<PaperLevel>& levels,
                     int degree,
                     int width,
                     int height,
                     std::vector<double>* weights) {
  const int n = terms_of(degree);
  assert(degree <= 8 && static_cast<int>(levels.size()) >= n);
  WhiteField field;
  field.degree = degree;
  field.width = width;
  field.height = height;
  std::vector<double> w(levels.size(), 1.0), residual(levels.size());
  // Start from the median level: stains and pencil must not tilt the first round.
  std::vector<double> last_terms;
  // The terms at every place, which no round changes.
  const auto width_of = static_cast<std::size_t>(n);
  std::vector<double> terms(levels.size() * width_of);
  for (std::size_t i = 0; i < levels.size(); ++i)
    fill_terms(scaled(levels[i].x, width),
               scaled(levels[i].y, height),
               degree,
               terms.data() + i * width_of);
  for (int round = 0; round < 12; ++round) {
    cv::Mat1d normal(n, n, 0.0), right(n, 1, 0.0);
    for (std::size_t i = 0; i < levels.size(); ++i) {
      if (w[i] <= 0) continue;
      const double* t = terms.data() + i * width_of;
      for (int a = 0; a < n; ++a) {
        right(a) += w[i] * t[a] * levels[i].level;
        double* row = normal[a];
        const double weighted = w[i] * t[a];
        for (int b = 0; b <= a; ++b) row[b] += weighted * t[b];
      }
    }
    for (int a = 0; a < n; ++a) {
      normal(a, a) += 1e-9 * double(levels.size());  // keeps ill-placed paper from blowing up
      for (int b = a + 1; b < n; ++b) normal(a, b) = normal(b, a);
    }
    cv::Mat1d solution;
    cv::solve(normal, right, solution, cv::DECOMP_CHOLESKY);
    field.terms.assign(solution.begin(), solution.end());
    const bool settled = !last_terms.empty() &&
                         std::equal(last_terms.begin(),
                                    last_terms.end(),
                                    field.terms.begin(),
                                    [](double a, double b) { return std::abs(a - b) < 1e-6; });
    last_terms = field.terms;
    for (std::size_t i = 0; i < levels.size(); ++i) {
      double sum = 0;
      for (std::size_t k = 0; k < width_of; ++k) sum += field.terms[k] * terms[i * width_of + k];
      residual[i] = levels[i].level - sum;
    }
    const double cut = 4.685 * std::max(robust_sd(residual), 1e-4);
    for (std::size_t i = 0; i < levels.size(); ++i) {
      const double u = residual[i] / cut;
      w[i] = std::abs(u) < 1 ? (1 - u * u) * (1 - u * u) : 0;
    }
    if (settled) break;
  }
  if (weights) *weights = w;
  return field;
}

DegreeChoice choose_degree(const std::vector<PaperLevel>& levels, int most, int width, int height) {
  constexpr int sectors = 12;
  std::vector<int> sector(levels.size());
  for (std::size_t i = 0; i < levels.size(); ++i) {
    const double a = std::atan2(scaled(levels[i].y, height), scaled(levels[i].x, width));
    sector[i] =
        std::clamp(static_cast<int>((a / (2 * 3.14159265358979) + 0.5) * sectors), 0, sectors - 1);
  }
  DegreeChoice best;
  std::vector<double> errors;
  for (int degree = 0; degree <= most; ++degree) {
    std::vector<double> off;
    bool possible = true;
    for (int s = 0; s < sectors && possible; ++s) {
      std::vector<PaperLevel> rest;
      for (std::size_t i = 0; i < levels.size(); ++i) {
        if (sector[i] != s) rest.push_back(levels[i]);
      }
      if (rest.size() == levels.size()) continue;
      if (static_cast<int>(rest.size()) < 3 * terms_of(degree)) {
        possible = false;
        break;
      }
      const WhiteField f = fit_field(rest, degree, width, height);
      for (std::size_t i = 0; i < levels.size(); ++i) {
        if (sector[i] == s) off.push_back(levels[i].level - f.log_at(levels[i].x, levels[i].y));
      }
    }
    if (!possible || off.empty()) break;
    // The mean of the best nine tenths of the squares: stains are not what is asked about.
    for (double& o : off) o *= o;
    std::sort(off.begin(), off.end());
    const std::size_t kept = std::max<std::size_t>(1, off.size() * 9 / 10);
    double sum = 0;
    for (std::size_t i = 0; i < kept; ++i) sum += off[i];
    errors.push_back(std::sqrt(sum / double(kept)));
  }
  if (errors.empty()) return best;
  const double least = *std::min_element(errors.begin(), errors.end());
  while (errors[static_cast<std::size_t>(best.degree)] > 1.05 * least + 1e-5) ++best.degree;
  best.error = errors[static_cast<std::size_t>(best.degree)];
  return best;
}

}  // namespace rebite::scan
