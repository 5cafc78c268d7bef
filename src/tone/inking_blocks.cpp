#include "tone/inking_blocks.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>

#include "tone/tasks.h"

namespace rebite::tone {
namespace {

constexpr double kBlockMm = 2.5;
constexpr int kMostBlocks = 4000;
constexpr int kFewBlocks = 1200;
constexpr int kMostWaves = 110;

struct BlockSums {
  double p = 0, d = 0, gap_var = 0;
  double hp = 0, hd = 0, hpd = 0;  // of the grain: squares and product
  int n = 0;
};

// Grain agreement: correlation of the two impressions' grain, against the best of this pair (an
// alignment error of a grain's size lowers it everywhere). Without common grain all count alike.
bool judge_agreement(std::vector<Block>& blocks, const std::vector<BlockSums>& sums) {
  std::vector<double> rho(sums.size());
  for (std::size_t i = 0; i < sums.size(); ++i) {
    const double v = sums[i].hp * sums[i].hd;
    rho[i] = v > 0 ? sums[i].hpd / std::sqrt(v) : 0;
  }
  std::vector<double> sorted = rho;
  if (sorted.empty()) return false;
  std::sort(sorted.begin(), sorted.end());
  const double best = sorted[sorted.size() * 85 / 100];
  if (best < 0.3) return false;
  for (std::size_t i = 0; i < rho.size(); ++i) {
    const double t = std::clamp(rho[i] / best, 0.0, 1.0);
    // Bare metal has no grain to agree on: it keeps a middling say.
    const double grain = std::sqrt(sums[i].hp / sums[i].n) / std::max(sums[i].p / sums[i].n, 0.05);
    blocks[i].agreement = grain < 0.02 ? std::max(0.4, t * t) : std::max(0.02, t * t * t);
    if (grain >= 0.05 && t > 0.3) {
      blocks[i].flatter =
          0.5 * std::log(sums[i].hp / sums[i].hd) + std::log(sums[i].d / sums[i].p);
    }
  }
  return true;
}

// The part that most of the block's cells lie in; -1 if no part has two thirds of it.
int part_of(const cv::Mat1i& parts, cv::Rect where) {
  std::map<int, int> n;
  for (int i = where.y; i < where.br().y; ++i) {
    for (int j = where.x; j < where.br().x; ++j) ++n[parts(i, j)];
  }
  for (const auto& [k, count] : n) {
    if (3 * count >= 2 * where.area()) return k;
  }
  return -1;
}

}  // namespace

double shadow(double now) { return (std::pow(10.0, std::clamp(now, 0.0, 1.6)) - 1.0) / 10.0; }

InkingTerms::InkingTerms(double width_mm, double height_mm, const InkingPriors& sizes)
    : width(width_mm), height(height_mm), priors(sizes) {
  const double lx = 1.4 * width;
  const double ly = 1.4 * height;
  for (double shortest = priors.shortest_mm;; shortest *= 1.1) {
    waves.clear();
    double total = 0;
    for (int i = 0; i <= static_cast<int>(2 * lx / shortest); ++i) {
      for (int j = 0; j <= static_cast<int>(2 * ly / shortest); ++j) {
        const double k = std::hypot(i / lx, j / ly) / 2;  // per mm
        if (i + j == 0 || k * shortest > 1) continue;
        // Long waves are the likelier: power falls with the 1.5th power of the wavelength.
        const double power = std::pow(k, -1.5);
        waves.push_back({std::numbers::pi * i / lx, std::numbers::pi * j / ly, power});
        total += power * (i > 0 ? 0.5 : 1.0) * (j > 0 ? 0.5 : 1.0);
      }
    }
    for (Wave& w : waves) w.prior_sd = std::sqrt(w.prior_sd / total);  // of a field of 1 sd
    if (static_cast<int>(waves.size()) <= kMostWaves) break;
  }
}

double InkingTerms::wavelength(Eigen::Index term) const {
  const auto n = static_cast<Eigen::Index>(waves.size());
  const Wave& w = waves[static_cast<std::size_t>((term - 3) % n)];
  return 2 * std::numbers::pi / std::hypot(w.kx, w.ky);
}

Row InkingTerms::at(double x, double y, double now) const {
  Row b(count());
  b(0) = 1;
  b(1) = now - mean_now;
  b(2) = shadow(now) - shadow(mean_now);
  for (std::size_t i = 0; i < waves.size(); ++i) {
    const double wave =
        std::cos(waves[i].kx * (x + 0.2 * width)) * std::cos(waves[i].ky * (y + 0.2 * height));
    b(static_cast<Eigen::Index>(i) + 3) = wave;
    if (priors.uneven_gain > 0) b(first_product() + static_cast<Eigen::Index>(i)) = wave * b(1);
  }
  return b;
}

Row InkingTerms::prior_precision() const {
  Row p(count());
  const auto precision = [](double sd) { return 1 / (sd * sd); };
  p(0) = precision(priors.offset);
  p(1) = precision(priors.gain);
  p(2) = precision(priors.shadow);
  for (std::size_t i = 0; i < waves.size(); ++i) {
    const auto at = static_cast<Eigen::Index>(i);
    p(3 + at) = precision(priors.field * waves[i].prior_sd);
    if (priors.uneven_gain > 0) {
      p(first_product() + at) = precision(priors.uneven_gain * waves[i].prior_sd);
    }
  }
  return p;
}

std::vector<Block> make_blocks(const Cells& c,
                               const cv::Mat1i& parts,
                               BlockGrid& grid,
                               InkingTerms& terms) {
  const double plate_mm2 = static_cast<double>(c.proof.total()) * c.mm * c.mm;
  // Small plates have smaller blocks, so that there are enough; large ones larger.
  const double block_mm =
      std::clamp(kBlockMm, std::sqrt(plate_mm2 / kMostBlocks), std::sqrt(plate_mm2 / kFewBlocks));
  grid.step = std::max(2, static_cast<int>(std::lround(block_mm / c.mm)));
  grid.cols = (c.proof.cols + grid.step - 1) / grid.step;
  grid.rows = (c.proof.rows + grid.step - 1) / grid.step;
  cv::Mat1f weight;
  cv::Mat(c.usable).convertTo(weight, CV_32F, 1.0 / 255);
  cv::Mat1f mp, md;
  at_once({[&] { mp = smooth_over(c.proof, weight, 0.5 / c.mm); },
           [&] { md = smooth_over(c.drawing, weight, 0.5 / c.mm); }});
  struct Line {
    std::vector<Block> blocks;
    std::vector<BlockSums> sums;
  };
  std::vector<Line> lines(static_cast<std::size_t>(grid.rows));
  // A block's means are of its own part only, but for the cells along its border: a third of a wash
  // beside it would be as much as wiping is.
  const auto inside = [&](int i, int j, int part) {
    for (int v = std::max(0, i - 1); v <= std::min(parts.rows - 1, i + 1); ++v) {
      for (int u = std::max(0, j - 1); u <= std::min(parts.cols - 1, j + 1); ++u) {
        if (parts(v, u) != part) return false;
      }
    }
    return true;
  };
  for_each_of(grid.rows, [&](int r) {
    Line& line = lines[static_cast<std::size_t>(r)];
    for (int q = 0; q < grid.cols; ++q) {
      BlockSums s;
      const cv::Rect where = cv::Rect(q * grid.step, r * grid.step, grid.step, grid.step) &
                             cv::Rect({0, 0}, c.proof.size());
      const int part = part_of(parts, where);
      if (part < 0) continue;  // an edge runs through
      for (int i = where.y; i < where.br().y; ++i) {
        for (int j = where.x; j < where.br().x; ++j) {
          if (!c.usable(i, j) || !inside(i, j, part)) continue;
          ++s.n;
          const double p = static_cast<double>(c.proof(i, j));
          const double d = static_cast<double>(c.drawing(i, j));
          s.p += p;
          s.d += d;
          s.gap_var +=
              static_cast<double>(c.noise_gap(i, j)) * static_cast<double>(c.noise_gap(i, j));
          const double hp = p - static_cast<double>(mp(i, j));
          const double hd = d - static_cast<double>(md(i, j));
          s.hp += hp * hp;
          s.hd += hd * hd;
          s.hpd += hp * hd;
        }
      }
      if (2 * s.n < grid.step * grid.step) continue;
      Block b;
      b.part = part;
      b.col = q;
      b.row = r;
      b.x = (q + 0.5) * grid.step * c.mm;
      b.y = (r + 0.5) * grid.step * c.mm;
      b.now = density_of(s.p / s.n);
      b.diff = density_of(s.d / s.n) - b.now;
      b.noise = std::sqrt(s.gap_var / s.n) / (std::sqrt(static_cast<double>(s.n)) * c.mm);
      line.blocks.push_back(b);
      line.sums.push_back(s);
    }
  });
  std::vector<Block> blocks;
  std::vector<BlockSums> all;
  double sum_now = 0;
  for (const Line& line : lines) {
    blocks.insert(blocks.end(), line.blocks.begin(), line.blocks.end());
    all.insert(all.end(), line.sums.begin(), line.sums.end());
    for (const Block& b : line.blocks) sum_now += b.now;
  }
  grid.shared_grain = judge_agreement(blocks, all);
  terms.mean_now = blocks.empty() ? 0 : sum_now / static_cast<double>(blocks.size());
  for_rows(static_cast<int>(blocks.size()), [&](int k) {
    Block& b = blocks[static_cast<std::size_t>(k)];
    b.basis = terms.at(b.x, b.y, b.now);
  });
  return blocks;
}

void judge_slopes(std::vector<Block>& blocks, const BlockGrid& grid, double block_mm) {
  constexpr double gentle = 0.005;
  cv::Mat1i index(grid.rows, grid.cols, -1);
  for (std::size_t i = 0; i < blocks.size(); ++i) {
    index(blocks[i].row, blocks[i].col) = static_cast<int>(i);
  }
  const int reach = std::max(1, static_cast<int>(std::lround(8 / block_mm)));
  std::vector<double> factor(blocks.size(), 1.0);
  for_rows(static_cast<int>(blocks.size()), [&](int index_of) {
    const auto b = static_cast<std::size_t>(index_of);
    Eigen::Matrix3d a = Eigen::Matrix3d::Zero();
    Eigen::Vector3d rhs = Eigen::Vector3d::Zero();
    for (int i = blocks[b].row - reach; i <= blocks[b].row + reach; ++i) {
      for (int j = blocks[b].col - reach; j <= blocks[b].col + reach; ++j) {
        if (i < 0 || j < 0 || i >= grid.rows || j >= grid.cols || index(i, j) < 0) continue;
        const Block& n = blocks[static_cast<std::size_t>(index(i, j))];
        if (n.part != blocks[b].part) continue;
        const Eigen::Vector3d v(1, n.x - blocks[b].x, n.y - blocks[b].y);
        const double w = 1 / (0.005 * 0.005 + n.noise * n.noise);
        a += w * v * v.transpose();
        rhs += w * n.diff * v;
      }
    }
    // The plane's slope is pulled to nothing where few blocks speak.
    a(1, 1) += 1 / (0.02 * 0.02);
    a(2, 2) += 1 / (0.02 * 0.02);
    const Eigen::Vector3d plane = a.ldlt().solve(rhs);
    const double slope2 = plane(1) * plane(1) + plane(2) * plane(2);
    const double g = 1 / (1 + slope2 / (gentle * gentle));
    factor[b] = g * g;
  });
  for (std::size_t b = 0; b < blocks.size(); ++b) blocks[b].agreement *= factor[b];
}

void judge_whites(std::vector<Block>& blocks) {
  constexpr double alike = 0.15;  // scatter of the grain and gain that goes with the tone
  std::vector<double> all;
  for (const Block& b : blocks) {
    if (b.flatter) all.push_back(*b.flatter);
  }
  if (all.size() < 30) return;
  std::sort(all.begin(), all.end());
  const double steep = all[all.size() / 4];
  for (Block& b : blocks) {
    if (!b.flatter) continue;
    const double over = std::max(0.0, *b.flatter - steep - alike) / alike;
    const double g = 1 / (1 + over * over);
    b.agreement *= g * g;
  }
}

}  // namespace rebite::tone
