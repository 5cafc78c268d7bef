#include "tone/inking.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <vector>

namespace rebite::tone {
namespace {

constexpr double kBlockMm = 2.5;
constexpr int kMostBlocks = 4000;
// Priors, one sd, log10 units, of what inking and wiping do to an impression (common practice, no
// source: studios give no figure; trade.md section 4, "wiping spread").
constexpr double kOffsetPrior = 0.06;
constexpr double kFieldPrior = 0.03;
constexpr double kGainPrior = 0.06;    // per unit of density
constexpr double kShadowPrior = 0.02;  // per unit of (10^D - 1)/10
constexpr double kShortestMm = 38;     // a rag's stroke leaves nothing shorter (common practice)
constexpr int kMostWaves = 110;
constexpr double kStartScale = 0.08;
constexpr double kEndScale = 0.012;

using Row = Eigen::VectorXd;
using Square = Eigen::MatrixXd;

struct Block {
  int col = 0, row = 0;
  double x = 0, y = 0;   // mm
  double now = 0;        // density of the proof
  double diff = 0;       // drawing minus proof
  double noise = 0;      // its standard error from grain
  double agreement = 1;  // 0..1, shares its grain
  int part = -1;         // most of its cells lie in
  Row basis;
};

// Saturating in the dark: (10^D - 1)/10 is what a change of the ink film does, which shows in the
// solid only: R = 1 - a(1 - 10^-Ds), so dD = a 10^-Ds dDs / 10^-D (Murray-Davies).
double shadow(double now) { return (std::pow(10.0, std::clamp(now, 0.0, 1.6)) - 1.0) / 10.0; }

// Terms of the fit: constant, gain, shadow, then cosine waves over the plate and a margin round it
// (so that the field may have a slope at the plate's edge).
struct Terms {
  struct Wave {
    double kx, ky, prior_sd;
  };
  double width = 0, height = 0, mean_now = 0;
  std::vector<Wave> waves;

  Terms(double width_mm, double height_mm) : width(width_mm), height(height_mm) {
    const double lx = 1.4 * width;
    const double ly = 1.4 * height;
    double shortest = kShortestMm;
    for (;; shortest *= 1.1) {
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
      for (Wave& w : waves) w.prior_sd = kFieldPrior * std::sqrt(w.prior_sd / total);
      if (static_cast<int>(waves.size()) <= kMostWaves) break;
    }
  }
  double wavelength(Eigen::Index term) const {
    const Wave& w = waves[static_cast<std::size_t>(term - 3)];
    return 2 * std::numbers::pi / std::hypot(w.kx, w.ky);
  }
  Eigen::Index count() const { return static_cast<Eigen::Index>(waves.size()) + 3; }
  Row at(double x, double y, double now) const {
    Row b(count());
    b(0) = 1;
    b(1) = now - mean_now;
    b(2) = shadow(now) - shadow(mean_now);
    for (std::size_t i = 0; i < waves.size(); ++i) {
      b(static_cast<Eigen::Index>(i) + 3) =
          std::cos(waves[i].kx * (x + 0.2 * width)) * std::cos(waves[i].ky * (y + 0.2 * height));
    }
    return b;
  }
  Row prior_precision() const {
    Row p(count());
    p(0) = 1 / (kOffsetPrior * kOffsetPrior);
    p(1) = 1 / (kGainPrior * kGainPrior);
    p(2) = 1 / (kShadowPrior * kShadowPrior);
    for (std::size_t i = 0; i < waves.size(); ++i) {
      p(static_cast<Eigen::Index>(i) + 3) = 1 / (waves[i].prior_sd * waves[i].prior_sd);
    }
    return p;
  }
};

struct Frame {
  int step = 1;  // cells per block side
  int cols = 0, rows = 0;
};

struct BlockSums {
  double p = 0, d = 0, gap_var = 0;
  double hp = 0, hd = 0, hpd = 0;  // of the grain: squares and product
  int n = 0;
};

// Grain agreement: correlation of the two impressions' grain, against the best of this pair (an
// alignment error of a grain's size lowers it everywhere). Without common grain all count alike.
void judge_agreement(std::vector<Block>& blocks, const std::vector<BlockSums>& sums) {
  std::vector<double> rho(sums.size());
  for (std::size_t i = 0; i < sums.size(); ++i) {
    const double v = sums[i].hp * sums[i].hd;
    rho[i] = v > 0 ? sums[i].hpd / std::sqrt(v) : 0;
  }
  std::vector<double> sorted = rho;
  if (sorted.empty()) return;
  std::sort(sorted.begin(), sorted.end());
  const double best = sorted[sorted.size() * 85 / 100];
  if (best < 0.3) return;
  for (std::size_t i = 0; i < rho.size(); ++i) {
    const double t = std::clamp(rho[i] / best, 0.0, 1.0);
    // Bare metal has no grain to agree on: it keeps a middling say.
    const double grain = std::sqrt(sums[i].hp / sums[i].n) / std::max(sums[i].p / sums[i].n, 0.05);
    blocks[i].agreement = grain < 0.02 ? std::max(0.4, t * t) : std::max(0.02, t * t * t);
  }
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

std::vector<Block> make_blocks(const Cells& c, const cv::Mat1i& parts, Frame& f, Terms& terms) {
  const double plate_mm2 = static_cast<double>(c.proof.total()) * c.mm * c.mm;
  const double block_mm = std::max(kBlockMm, std::sqrt(plate_mm2 / kMostBlocks));
  f.step = std::max(2, static_cast<int>(std::lround(block_mm / c.mm)));
  f.cols = (c.proof.cols + f.step - 1) / f.step;
  f.rows = (c.proof.rows + f.step - 1) / f.step;
  cv::Mat1f weight;
  cv::Mat(c.usable).convertTo(weight, CV_32F, 1.0 / 255);
  const cv::Mat1f mp = smooth_over(c.proof, weight, 0.5 / c.mm);
  const cv::Mat1f md = smooth_over(c.drawing, weight, 0.5 / c.mm);
  std::vector<Block> blocks;
  std::vector<BlockSums> all;
  double sum_now = 0;
  for (int r = 0; r < f.rows; ++r) {
    for (int q = 0; q < f.cols; ++q) {
      BlockSums s;
      const cv::Rect where =
          cv::Rect(q * f.step, r * f.step, f.step, f.step) & cv::Rect({0, 0}, c.proof.size());
      for (int i = where.y; i < where.br().y; ++i) {
        for (int j = where.x; j < where.br().x; ++j) {
          if (!c.usable(i, j)) continue;
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
      if (2 * s.n < f.step * f.step) continue;
      Block b;
      b.part = part_of(parts, where);
      if (b.part < 0) continue;  // an edge runs through
      b.col = q;
      b.row = r;
      b.x = (q + 0.5) * f.step * c.mm;
      b.y = (r + 0.5) * f.step * c.mm;
      b.now = density_of(s.p / s.n);
      b.diff = density_of(s.d / s.n) - b.now;
      b.noise = std::sqrt(s.gap_var / s.n) / (std::sqrt(static_cast<double>(s.n)) * c.mm);
      sum_now += b.now;
      blocks.push_back(b);
      all.push_back(s);
    }
  }
  judge_agreement(blocks, all);
  terms.mean_now = blocks.empty() ? 0 : sum_now / static_cast<double>(blocks.size());
  for (Block& b : blocks) b.basis = terms.at(b.x, b.y, b.now);
  return blocks;
}

// Wiping is gentle: over a centimetre or two it changes little (its usual spread over the shortest
// wave gives a slope of about 0.003 D per mm). A difference that climbs faster is a painted passage
// and says little of the inking. The slope is of a plane through the blocks of the same part
// within 8 mm.
void judge_slopes(std::vector<Block>& blocks, const Frame& f, double block_mm) {
  constexpr double gentle = 0.005;
  cv::Mat1i index(f.rows, f.cols, -1);
  for (std::size_t i = 0; i < blocks.size(); ++i) {
    index(blocks[i].row, blocks[i].col) = static_cast<int>(i);
  }
  const int reach = std::max(1, static_cast<int>(std::lround(8 / block_mm)));
  std::vector<double> factor(blocks.size(), 1.0);
  for (std::size_t b = 0; b < blocks.size(); ++b) {
    Eigen::Matrix3d a = Eigen::Matrix3d::Zero();
    Eigen::Vector3d rhs = Eigen::Vector3d::Zero();
    for (int i = blocks[b].row - reach; i <= blocks[b].row + reach; ++i) {
      for (int j = blocks[b].col - reach; j <= blocks[b].col + reach; ++j) {
        if (i < 0 || j < 0 || i >= f.rows || j >= f.cols || index(i, j) < 0) continue;
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
  }
  for (std::size_t b = 0; b < blocks.size(); ++b) blocks[b].agreement *= factor[b];
}

// The densest heap of differences, weighed by the prior of the offset.
double likeliest_offset(const std::vector<Block>& blocks) {
  double best = 0;
  double best_score = -1;
  for (int k = -80; k <= 80; ++k) {
    const double o = k * 0.005;
    double score = 0;
    for (const Block& b : blocks) {
      const double h2 = 0.02 * 0.02 + b.noise * b.noise;
      score += b.agreement * std::exp(-0.5 * (b.diff - o) * (b.diff - o) / h2);
    }
    score *= std::exp(-0.5 * o * o / (kOffsetPrior * kOffsetPrior));
    // Ties (no block near at all) go to the smaller offset.
    if (score > best_score * (1 + 1e-9) ||
        (score > best_score * (1 - 1e-9) && std::abs(o) < std::abs(best))) {
      best_score = score;
      best = o;
    }
  }
  return best;
}

double robust_weight(const Block& b, double residual, double scale) {
  const double s2 = scale * scale + b.noise * b.noise;
  const double g = 1.0 / (1.0 + residual * residual / s2);
  return b.agreement * g * g;
}

struct Fit {
  Row theta;
  Square covariance;
};

// How far a part as a whole is from the fit: its median residual, as a weight.
std::vector<double> part_weights(const std::vector<Block>& blocks,
                                 const Row& predicted,
                                 int parts,
                                 double scale) {
  std::vector<std::vector<double>> residuals(static_cast<std::size_t>(parts));
  for (std::size_t i = 0; i < blocks.size(); ++i) {
    residuals[static_cast<std::size_t>(blocks[i].part)].push_back(
        blocks[i].diff - predicted(static_cast<Eigen::Index>(i)));
  }
  std::vector<double> weight;
  for (std::vector<double>& r : residuals) {
    if (r.empty()) {
      weight.push_back(0);
      continue;
    }
    const auto mid = r.begin() + static_cast<std::ptrdiff_t>(r.size() / 2);
    std::nth_element(r.begin(), mid, r.end());
    const double g = 1 / (1 + *mid * *mid / (scale * scale));
    weight.push_back(g * g);
  }
  return weight;
}

// Which terms are let in at a round, and the scale of what counts as unworked.
struct Schedule {
  double shortest_mm;  // waves down to this
  bool tone;           // gain and shadow
  double scale;
};

Schedule schedule(int round) {
  if (round < 3) return {1e9, false, kStartScale};
  if (round < 7) return {110, false, 0.05};
  if (round < 11) return {70, true, 0.035};
  return {0, true, std::max(kEndScale, 0.035 * std::pow(0.85, round - 10))};
}

Fit graduated_fit(const std::vector<Block>& blocks, const Terms& terms, int parts) {
  const Eigen::Index n = terms.count();
  const auto m = static_cast<Eigen::Index>(blocks.size());
  Eigen::MatrixXd design(m, n);
  for (Eigen::Index i = 0; i < m; ++i) {
    design.row(i) = blocks[static_cast<std::size_t>(i)].basis.transpose();
  }
  Fit fit;
  fit.theta = Row::Zero(n);
  fit.theta(0) = likeliest_offset(blocks);
  const Row prior = terms.prior_precision();
  Eigen::MatrixXd weighted(m, n);
  constexpr int rounds = 28;
  for (int round = 0; round < rounds; ++round) {
    const Schedule now = schedule(round);
    const Row predicted = design * fit.theta;
    const std::vector<double> whole =
        part_weights(blocks, predicted, parts, std::max(0.02, now.scale));
    Row rhs = Row::Zero(n);
    for (Eigen::Index i = 0; i < m; ++i) {
      const Block& b = blocks[static_cast<std::size_t>(i)];
      const double w = robust_weight(b, b.diff - predicted(i), now.scale) *
                       whole[static_cast<std::size_t>(b.part)];
      // A block counts at no better than 0.02: what the field cannot follow is correlated.
      const double v = w / (0.02 * 0.02 + b.noise * b.noise);
      weighted.row(i) = std::sqrt(v) * design.row(i);
      rhs += v * b.diff * b.basis;
    }
    Square a = Square::Zero(n, n);
    a.selfadjointView<Eigen::Lower>().rankUpdate(weighted.transpose());
    a.diagonal() += prior;
    for (Eigen::Index i = 1; i < n; ++i) {
      const bool in = i < 3 ? now.tone : terms.wavelength(i) >= now.shortest_mm;
      if (!in) a(i, i) += 1e12;  // held at nothing
    }
    const Square full = a.selfadjointView<Eigen::Lower>();
    const Eigen::LDLT<Square> solver(full);
    fit.theta = solver.solve(rhs);
    if (round == rounds - 1) fit.covariance = solver.solve(Square::Identity(n, n));
  }
  return fit;
}

// Spread of what is left over unworked blocks, over 3 x 3 blocks (region scale), as 1.4826 MAD.
void judge_noise(const std::vector<Block>& blocks, const Frame& f, const Row& theta, Inking& out) {
  cv::Mat1d sum(f.rows, f.cols, 0.0);
  cv::Mat1d weight(f.rows, f.cols, 0.0);
  double fitted = 0;
  std::vector<const Block*> in;
  for (const Block& b : blocks) {
    const double r = b.diff - b.basis.dot(theta);
    const double g = 1.0 / (1.0 + r * r / (kEndScale * kEndScale + b.noise * b.noise));
    if (g < 0.2) continue;  // beyond two scales
    fitted += 1;
    sum(b.row, b.col) = r;
    weight(b.row, b.col) = 1;
    in.push_back(&b);
  }
  out.fitted_share = blocks.empty() ? 0 : fitted / static_cast<double>(blocks.size());
  std::vector<double> spread;
  for (const Block* b : in) {
    double s = 0, n = 0;
    for (int i = std::max(0, b->row - 1); i <= std::min(f.rows - 1, b->row + 1); ++i) {
      for (int j = std::max(0, b->col - 1); j <= std::min(f.cols - 1, b->col + 1); ++j) {
        s += sum(i, j);
        n += weight(i, j);
      }
    }
    if (n >= 5) spread.push_back(std::abs(s / n));
  }
  out.noise_density = 0.02;  // nothing to judge by: what wiping usually does
  if (spread.size() >= 10) {
    const auto mid = spread.begin() + static_cast<std::ptrdiff_t>(spread.size() / 2);
    std::nth_element(spread.begin(), mid, spread.end());
    out.noise_density = std::max(0.003, 1.4826 * *mid);
  }
}

// Bilinear from a grid `factor` times coarser to the pixel (i, j).
float interpolate(const cv::Mat1f& coarse, int factor, int i, int j) {
  const double fy = std::clamp((i + 0.5) / factor - 0.5, 0.0, coarse.rows - 1.0);
  const double fx = std::clamp((j + 0.5) / factor - 0.5, 0.0, coarse.cols - 1.0);
  const int y0 = static_cast<int>(fy);
  const int x0 = static_cast<int>(fx);
  const int y1 = std::min(y0 + 1, coarse.rows - 1);
  const int x1 = std::min(x0 + 1, coarse.cols - 1);
  const float ty = static_cast<float>(fy - y0);
  const float tx = static_cast<float>(fx - x0);
  return (coarse(y0, x0) * (1 - tx) + coarse(y0, x1) * tx) * (1 - ty) +
         (coarse(y1, x0) * (1 - tx) + coarse(y1, x1) * tx) * ty;
}

// Tone of the surroundings (block scale) at every cell, for the gain terms.
cv::Mat1f block_tone(const Cells& c) {
  cv::Mat1f weight;
  cv::Mat(c.usable).convertTo(weight, CV_32F, 1.0 / 255);
  return smooth_over(c.proof, weight, 1.0 / c.mm);
}

}  // namespace

InkingFit fit_inking(const Cells& c, const cv::Mat1i& parts, int count) {
  InkingFit out;
  Frame f;
  Terms terms(c.proof.cols * c.mm, c.proof.rows * c.mm);
  std::vector<Block> blocks = make_blocks(c, parts, f, terms);
  judge_slopes(blocks, f, f.step * c.mm);
  const Fit fit = graduated_fit(blocks, terms, count);
  judge_noise(blocks, f, fit.theta, out.inking);
  // Slope of the tone terms over the plate's tones, and the value at the mean tone.
  double snn = 0, snf = 0, mean = 0;
  for (const Block& b : blocks) {
    const double tone = fit.theta(1) * b.basis(1) + fit.theta(2) * b.basis(2);
    snn += (b.now - terms.mean_now) * (b.now - terms.mean_now);
    snf += (b.now - terms.mean_now) * tone;
    mean += fit.theta.dot(b.basis) - tone;
  }
  if (!blocks.empty()) out.inking.offset_density = mean / static_cast<double>(blocks.size());
  out.inking.gain = snn > 1e-9 ? 1.0 + snf / snn : 1.0;
  if (out.inking.fitted_share < 0.15) {
    out.notes.push_back(fmt::format(
        "Only {:.0f} % of the plate looks unworked, so inking and biting can hardly be told apart: "
        "compare with a second impression of this state (--impression).",
        100 * out.inking.fitted_share));
  }
  if (std::abs(out.inking.offset_density) > 0.08) {
    out.notes.push_back(fmt::format(
        "The drawing's impression is {} by {:.2f} D all over; this was taken as inking and wiping, "
        "not as work to do. If the whole plate should change, say so by hand.",
        out.inking.offset_density > 0 ? "darker" : "lighter",
        std::abs(out.inking.offset_density)));
  }
  const cv::Mat1f tone = block_tone(c);
  // The smooth part is evaluated at block centres and interpolated, the tone terms cell by cell.
  cv::Mat1f smooth(f.rows, f.cols), sd(f.rows, f.cols);
  for (int r = 0; r < f.rows; ++r) {
    for (int q = 0; q < f.cols; ++q) {
      const Row b = terms.at((q + 0.5) * f.step * c.mm, (r + 0.5) * f.step * c.mm, terms.mean_now);
      smooth(r, q) = static_cast<float>(b.dot(fit.theta));
      sd(r, q) = static_cast<float>(std::sqrt(std::max(0.0, b.dot(fit.covariance * b))));
    }
  }
  out.field.create(c.proof.size());
  out.field_sd.create(c.proof.size());
  for (int i = 0; i < c.proof.rows; ++i) {
    for (int j = 0; j < c.proof.cols; ++j) {
      const double now =
          std::isfinite(tone(i, j)) ? density_of(static_cast<double>(tone(i, j))) : terms.mean_now;
      const double by_tone = fit.theta(1) * (now - terms.mean_now) +
                             fit.theta(2) * (shadow(now) - shadow(terms.mean_now));
      out.field(i, j) = interpolate(smooth, f.step, i, j) + static_cast<float>(by_tone);
      out.field_sd(i, j) = interpolate(sd, f.step, i, j);
    }
  }
  return out;
}

void take_inking_off(cv::Mat1f& drawing, const cv::Mat1f& cell_field, int factor) {
  for (int i = 0; i < drawing.rows; ++i) {
    for (int j = 0; j < drawing.cols; ++j) {
      drawing(i, j) *= std::pow(10.F, interpolate(cell_field, factor, i, j));
    }
  }
}

}  // namespace rebite::tone
