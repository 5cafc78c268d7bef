#include "jobs/pictures.h"

#include <algorithm>
#include <array>
#include <cmath>

namespace rebite::jobs {
namespace {

constexpr double paper_level = 0.93;  // so that plate highlights and paper can be told apart

// 8 bits out need no more than 4096 steps in.
const std::array<unsigned char, 4097>& grey_table() {
  static const std::array<unsigned char, 4097> table = [] {
    std::array<unsigned char, 4097> t{};
    for (std::size_t i = 0; i < t.size(); ++i) {
      const double linear = std::min(1.0, static_cast<double>(i) / 4096 * 1.1 * paper_level);
      const double code =
          linear <= 0.0031308 ? 12.92 * linear : 1.055 * std::pow(linear, 1 / 2.4) - 0.055;
      t[i] = static_cast<unsigned char>(std::lround(code * 255));
    }
    return t;
  }();
  return table;
}

// Reflectances as 8-bit greys; what is not known is paper. Whole lots first, which the compiler
// turns into vectors.
void grey_codes(const float* relative, int n, unsigned char* code) {
  constexpr int lot = 64;
  const std::array<unsigned char, 4097>& table = grey_table();
  const auto step_of = [](float r) {
    const float part = (r == r ? r : 1.0F) / 1.1F;
    const float low = part < 0.0F ? 0.0F : part;
    return static_cast<int>((low > 1.0F ? 1.0F : low) * 4096.0F);
  };
  int done = 0;
  for (; done + lot <= n; done += lot) {
    int steps[lot];
    for (int i = 0; i < lot; ++i) steps[i] = step_of(relative[done + i]);
    for (int i = 0; i < lot; ++i) code[done + i] = table[static_cast<std::size_t>(steps[i])];
  }
  for (; done < n; ++done) code[done] = table[static_cast<std::size_t>(step_of(relative[done]))];
}

// work(row) for every row, on all threads.
template <class Work>
void for_all_rows(int rows, const Work& work) {
  cv::parallel_for_(cv::Range(0, rows), [&](const cv::Range& some) {
    for (int y = some.start; y < some.end; ++y) work(y);
  });
}

}  // namespace

cv::Mat1b as_grey(const cv::Mat1f& relative) {
  cv::Mat1b grey(relative.size());
  for_all_rows(grey.rows, [&](int y) { grey_codes(relative[y], relative.cols, grey[y]); });
  return grey;
}

cv::Mat1f relative_of_grey(const cv::Mat1b& grey) {
  static const std::array<float, 256> table = [] {
    std::array<float, 256> t{};
    for (std::size_t i = 0; i < t.size(); ++i) {
      const double code = static_cast<double>(i) / 255;
      const double linear = code <= 0.04045 ? code / 12.92 : std::pow((code + 0.055) / 1.055, 2.4);
      t[i] = static_cast<float>(linear / paper_level);
    }
    return t;
  }();
  cv::Mat1f out(grey.size());
  for (int y = 0; y < out.rows; ++y) {
    std::transform(grey[y], grey[y] + grey.cols, out[y], [](unsigned char c) { return table[c]; });
  }
  return out;
}

NextTone::Change NextTone::change(double now, double next) {
  const bool darker = next <= now;
  const double k = darker ? next / now : (1 - std::min(next, 1.0)) / std::max(1 - now, 1e-3);
  Change c;
  c.darker = darker;
  c.k = static_cast<float>(k);
  return c;
}

NextTone::NextTone(const plan::BitePlan& plan, const tone::RegionMap& map) : map_(map) {
  int highest = 0;
  for (const auto& r : plan.regions) highest = std::max(highest, r.region.id);
  by_id_.resize(static_cast<std::size_t>(highest) + 1);
  for (const auto& r : plan.regions) {
    const double now = r.region.now.value.reflectance();
    const double next = r.predicted.value.reflectance();
    if (!std::isfinite(now) || !std::isfinite(next)) continue;
    Change& c = by_id_[static_cast<std::size_t>(r.region.id)];
    c = change(now, next);
    c.soft = r.action == plan::Action::soft;
    if (r.nearest) c.darkest = static_cast<float>(r.nearest->value());
  }
}

NextTone::Change NextTone::change_at(int row, int col) const {
  constexpr Change none;
  const int id = map_.labels(row, col);
  if (id <= 0 || static_cast<std::size_t>(id) >= by_id_.size()) return none;
  const Change& c = by_id_[static_cast<std::size_t>(id)];
  if (!c.soft) return c;
  const double now = map_.now(row, col);
  const double target = std::min(double(map_.target(row, col)), std::max(now, double(c.darkest)));
  if (!std::isfinite(now) || !std::isfinite(target)) return none;
  return change(std::pow(10.0, -now), std::pow(10.0, -target));
}

float NextTone::at(int row, int col, float relative) const {
  if (row < 0 || col < 0 || row >= map_.labels.rows || col >= map_.labels.cols) return relative;
  const Change c = change_at(row, col);
  return apply(c.darker ? c.k : -c.k, relative);
}

cv::Mat1f NextTone::factors() const {
  cv::Mat1f out(map_.labels.size());
  for_all_rows(out.rows, [&](int row) {
    for (int col = 0; col < out.cols; ++col) {
      const Change c = change_at(row, col);
      out(row, col) = c.darker ? c.k : -c.k;
    }
  });
  return out;
}

cv::Mat1f next_proof_in_plate(const cv::Mat1f& proof, cv::Size map_size, const NextTone& next) {
  cv::Mat1f out(proof.size());
  const double sx = static_cast<double>(map_size.width) / proof.cols;
  const double sy = static_cast<double>(map_size.height) / proof.rows;
  for_all_rows(proof.rows, [&](int y) {
    const int row = std::min(map_size.height - 1, static_cast<int>((y + 0.5) * sy));
    for (int x = 0; x < proof.cols; ++x) {
      const int col = std::min(map_size.width - 1, static_cast<int>((x + 0.5) * sx));
      out(y, x) = next.at(row, col, proof(y, x));
    }
  });
  return out;
}

cv::Mat1b next_proof_scan(const scan::DensityImage& proof,
                          const align::PlateMark& mark,
                          const align::PlateGrid& grid,
                          const NextTone& next) {
  cv::Mat1b out(proof.relative.size());
  const cv::Matx33d to_cell =
      cv::Matx33d::diag({grid.px_per_mm, grid.px_per_mm, 1}) * mark.plate_from_px(grid.plate);
  const cv::Mat1f factors = next.factors();
  for_all_rows(out.rows, [&](int y) {
    const cv::Vec3d start = to_cell * cv::Vec3d(0, y, 1);
    const cv::Vec3d step{to_cell(0, 0), to_cell(1, 0), to_cell(2, 0)};
    const float* relative = proof.relative[y];
    constexpr int lot = 64;  // whose places are worked out by vectors
    double col[lot], row[lot];
    float changed[lot];
    for (int first = 0; first < out.cols; first += lot) {
      const int n = std::min(lot, out.cols - first);
      for (int k = 0; k < lot; ++k) {
        const double x = first + k, per = 1 / (start[2] + step[2] * x);
        col[k] = (start[0] + step[0] * x) * per;
        row[k] = (start[1] + step[1] * x) * per;
      }
      for (int k = 0; k < n; ++k) {
        const bool in =
            col[k] >= 0 && row[k] >= 0 && col[k] < factors.cols && row[k] < factors.rows;
        const float factor =
            in ? factors(static_cast<int>(row[k]), static_cast<int>(col[k])) : 1.0F;
        changed[k] = NextTone::apply(factor, relative[first + k]);
      }
      grey_codes(changed, n, out[y] + first);
    }
  });
  return out;
}

}  // namespace rebite::jobs
