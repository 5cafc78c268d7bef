#include "tone/inking.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "align/dense_panel.h"
#include "tone/edges.h"
#include "tone/inking_blocks.h"

namespace rebite::tone {
namespace {

using Rows = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;

// Lower triangle of w^T w.
Square lower_gram(const Rows& w) {
  const auto n = static_cast<int>(w.cols());
  Square minus = Square::Zero(n, n);
  align::subtract_square(
      minus.data(), n, w.data(), n, n, static_cast<int>(w.rows()), cv::getNumThreads());
  return -minus;
}

// A block counts at no better than this: what the field cannot follow (about 0.005) is alike over
// some 40 blocks.
constexpr double kBlockSd = 0.03;
// See offset_doubt; told where it is about a visible step.
constexpr double kEnoughUnworked = 0.35, kFewUnworked = 0.22;
constexpr double kDoubtPerShare = 0.24;  // D for each share of the plate that is missing
// D, what a mistaken offset is off by: root mean square of eight such plates among 400 (0.05-0.11).
constexpr double kMistakenOffset = 0.07;
// Painted edges, in widths of the plate, that the noise alone may feign. A reworked plate has 0.4
// and more (measure_tone).
constexpr double kNoEdges = 0.05;
constexpr double kStartScale = 0.08;
constexpr double kEndScale = 0.012;

// The densest heap of differences, weighed by the prior of the offset.
double likeliest_offset(const std::vector<Block>& blocks, double prior_sd) {
  double best = 0;
  double best_score = -1;
  for (int k = -80; k <= 80; ++k) {
    const double o = k * 0.005;
    double score = 0;
    for (const Block& b : blocks) {
      const double h2 = 0.02 * 0.02 + b.noise * b.noise;
      score += b.agreement * std::exp(-0.5 * (b.diff - o) * (b.diff - o) / h2);
    }
    score *= std::exp(-0.5 * o * o / (prior_sd * prior_sd));
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

Fit graduated_fit(const std::vector<Block>& blocks, const InkingTerms& terms, int parts) {
  const Eigen::Index n = terms.count();
  const auto m = static_cast<Eigen::Index>(blocks.size());
  Eigen::MatrixXd design(m, n);
  for (Eigen::Index i = 0; i < m; ++i) {
    design.row(i) = blocks[static_cast<std::size_t>(i)].basis.transpose();
  }
  Fit fit;
  fit.theta = Row::Zero(n);
  fit.theta(0) = likeliest_offset(blocks, terms.priors.offset);
  const Row prior = terms.prior_precision();
  Rows weighted(m, n);
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
      const double v = w / (kBlockSd * kBlockSd + b.noise * b.noise);
      weighted.row(i) = std::sqrt(v) * b.basis.transpose();
      rhs += v * b.diff * b.basis;
    }
    Square a = lower_gram(weighted);
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

// With the parts' roles known: unworked parts show the inking itself, washed parts show it but for
// one number each (a wash multiplies), all others say nothing.
Fit fit_by_role(const std::vector<Block>& blocks,
                const InkingTerms& terms,
                const std::vector<PartRole>& roles,
                bool shared_grain) {
  constexpr double wash_prior = 0.3;  // D, how much a wash may add
  constexpr double scale = 0.02;
  const Eigen::Index n = terms.count();
  std::vector<Eigen::Index> column(roles.size(), -1);
  Eigen::Index all = n;
  for (std::size_t k = 0; k < roles.size(); ++k) {
    if (roles[k] == PartRole::washed && shared_grain) column[k] = all++;
  }
  std::vector<const Block*> used;
  for (const Block& b : blocks) {
    const auto k = static_cast<std::size_t>(b.part);
    if (roles[k] == PartRole::unworked || column[k] >= 0) used.push_back(&b);
  }
  const auto m = static_cast<Eigen::Index>(used.size());
  Eigen::MatrixXd design = Eigen::MatrixXd::Zero(m, all);
  for (Eigen::Index i = 0; i < m; ++i) {
    const Block& b = *used[static_cast<std::size_t>(i)];
    design.row(i).head(n) = b.basis.transpose();
    const Eigen::Index own = column[static_cast<std::size_t>(b.part)];
    if (own >= 0) design(i, own) = 1;
  }
  const Rows by_rows = design;  // row by row in memory: a row of the other lies all over it
  Row prior(all);
  prior.head(n) = terms.prior_precision();
  prior.tail(all - n).setConstant(1 / (wash_prior * wash_prior));
  Row theta = Row::Zero(all);
  Fit fit;
  Rows weighted(m, all);
  constexpr int rounds = 12;
  for (int round = 0; round < rounds; ++round) {
    const Row predicted = design * theta;
    Row rhs = Row::Zero(all);
    for (Eigen::Index i = 0; i < m; ++i) {
      const Block& b = *used[static_cast<std::size_t>(i)];
      const double share = column[static_cast<std::size_t>(b.part)] >= 0 ? 0.5 : 1.0;
      // The first round takes all at their word; from then on single blocks may be wrong.
      const double w = round == 0 ? b.agreement : robust_weight(b, b.diff - predicted(i), scale);
      const double v = share * w / (kBlockSd * kBlockSd + b.noise * b.noise);
      weighted.row(i) = std::sqrt(v) * by_rows.row(i);
      rhs += v * b.diff * by_rows.row(i).transpose();
    }
    Square a = lower_gram(weighted);
    a.diagonal() += prior;
    const Square full = a.selfadjointView<Eigen::Lower>();
    const Eigen::LDLT<Square> solver(full);
    theta = solver.solve(rhs);
    if (round == rounds - 1) {
      fit.covariance = solver.solve(Square::Identity(all, all)).topLeftCorner(n, n);
    }
  }
  fit.theta = theta.head(n);
  return fit;
}

// Spread of what is left over unworked blocks, over 3 x 3 blocks (region scale), as 1.4826 MAD.
void judge_noise(const std::vector<Block>& blocks,
                 const BlockGrid& f,
                 const Row& theta,
                 Inking& out) {
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

// Where the pixel (i, j) lies on a grid `factor` times coarser, for bilinear interpolation.
struct Between {
  int y0, y1, x0, x1;
  float ty, tx;
  Between(cv::Size coarse, int factor, int i, int j) {
    const double fy = std::clamp((i + 0.5) / factor - 0.5, 0.0, coarse.height - 1.0);
    const double fx = std::clamp((j + 0.5) / factor - 0.5, 0.0, coarse.width - 1.0);
    y0 = static_cast<int>(fy);
    x0 = static_cast<int>(fx);
    y1 = std::min(y0 + 1, coarse.height - 1);
    x1 = std::min(x0 + 1, coarse.width - 1);
    ty = static_cast<float>(fy - y0);
    tx = static_cast<float>(fx - x0);
  }
  float operator()(const cv::Mat1f& m) const {
    return (m(y0, x0) * (1 - tx) + m(y0, x1) * tx) * (1 - ty) +
           (m(y1, x0) * (1 - tx) + m(y1, x1) * tx) * ty;
  }
};

// Tone of the surroundings (block scale) at every cell, for the gain terms.
cv::Mat1f block_tone(const Cells& c, double sigma_mm) {
  cv::Mat1f weight;
  cv::Mat(c.usable).convertTo(weight, CV_32F, 1.0 / 255);
  return smooth_over(c.proof, weight, sigma_mm / c.mm);
}

// The fit as fields over the cells, and what it says in a few numbers.
InkingFit describe(const Cells& c,
                   const std::vector<Block>& blocks,
                   const BlockGrid& f,
                   const InkingTerms& terms,
                   const Fit& fit) {
  InkingFit out;
  out.shared_grain = f.shared_grain;
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
  if (std::abs(out.inking.offset_density) > 0.08) {
    out.notes.push_back(fmt::format(
        "The drawing's impression is {} by {:.2f} D all over; this was taken as inking and wiping, "
        "not as work to do. If the whole plate should change, say so by hand.",
        out.inking.offset_density > 0 ? "darker" : "lighter",
        std::abs(out.inking.offset_density)));
  }
  const cv::Mat1f tone = block_tone(c, 0.4 * f.step * c.mm);
  // All that depends on the place is evaluated at block centres and interpolated, the tone terms
  // cell by cell. Doubt is of the whole: a tone unlike those that the fit has seen (a lone black, a
  // lone white) is as sure as the gain is.
  cv::Mat1f smooth(f.rows, f.cols), slope(f.rows, f.cols);
  cv::Mat1f var(f.rows, f.cols), with_gain(f.rows, f.cols), with_shadow(f.rows, f.cols);
  cv::Mat1f var_gain(f.rows, f.cols), gain_shadow(f.rows, f.cols);
  const double var_shadow = fit.covariance(2, 2);
  for_rows(f.rows, [&](int r) {
    for (int q = 0; q < f.cols; ++q) {
      const double x = (q + 0.5) * f.step * c.mm, y = (r + 0.5) * f.step * c.mm;
      const Row b = terms.at(x, y, terms.mean_now);
      Row steeper = terms.at(x, y, terms.mean_now + 1) - b;  // what one unit of gain adds
      steeper(2) = 0;                                        // the shadow term has its own place
      const Row of_gain = fit.covariance * steeper;
      smooth(r, q) = static_cast<float>(b.dot(fit.theta));
      slope(r, q) = static_cast<float>(steeper.dot(fit.theta));
      var(r, q) = static_cast<float>(b.dot(fit.covariance * b));
      with_gain(r, q) = static_cast<float>(b.dot(of_gain));
      with_shadow(r, q) = static_cast<float>(b.dot(fit.covariance.col(2)));
      var_gain(r, q) = static_cast<float>(steeper.dot(of_gain));
      gain_shadow(r, q) = static_cast<float>(of_gain(2));
    }
  });
  out.field.create(c.proof.size());
  out.field_sd.create(c.proof.size());
  for_rows(c.proof.rows, [&](int i) {
    for (int j = 0; j < c.proof.cols; ++j) {
      const double now =
          std::isfinite(tone(i, j)) ? density_of(static_cast<double>(tone(i, j))) : terms.mean_now;
      const double off = now - terms.mean_now;
      const double dark = shadow(now) - shadow(terms.mean_now);
      const Between between(smooth.size(), f.step, i, j);
      const auto here = [&](const cv::Mat1f& m) { return static_cast<double>(between(m)); };
      out.field(i, j) = static_cast<float>(here(smooth) + here(slope) * off + fit.theta(2) * dark);
      const double variance = here(var) + 2 * off * here(with_gain) + 2 * dark * here(with_shadow) +
                              off * off * here(var_gain) + 2 * off * dark * here(gain_shadow) +
                              dark * dark * var_shadow;
      out.field_sd(i, j) = static_cast<float>(std::sqrt(std::max(0.0, variance)));
    }
  });
  return out;
}

// Spread of all blocks about the fit, those it does not explain included.
double full_spread(const std::vector<Block>& blocks, const Row& theta) {
  double sum2 = 0;
  for (const Block& b : blocks) {
    const double r = b.diff - b.basis.dot(theta);
    sum2 += r * r;
  }
  return std::sqrt(sum2 / static_cast<double>(std::max<std::size_t>(1, blocks.size())));
}

// How much the part of the fit that does not depend on the tone varies over the plate, one sd.
double additive_spread(const std::vector<Block>& blocks,
                       const InkingTerms& terms,
                       const Row& theta) {
  double sum = 0, sum2 = 0;
  for (const Block& b : blocks) {
    const double f = terms.at(b.x, b.y, terms.mean_now).dot(theta);
    sum += f;
    sum2 += f * f;
  }
  const auto n = static_cast<double>(blocks.size());
  return std::sqrt(std::max(0.0, sum2 / n - sum / n * sum / n));
}

InkingFit told_if_few(InkingFit fit) {
  if (fit.inking.fitted_share >= kFewUnworked) return fit;
  fit.notes.push_back(fmt::format(
      "Only {:.0f} % of the plate looks unworked, so inking and biting can hardly be told apart: "
      "on one plate of 16 like it all gaps together are off by about {:.2f} D, which is more than "
      "the ranges of the minutes tell. "
      "Compare a place that you left alone on both sheets with `rebite read`.",
      100 * fit.inking.fitted_share,
      kMistakenOffset));
  return fit;
}

}  // namespace

InkingFit fit_inking(const Cells& c, const cv::Mat1i& parts, int count) {
  BlockGrid grid;
  InkingTerms terms(c.proof.cols * c.mm, c.proof.rows * c.mm);
  std::vector<Block> blocks = make_blocks(c, parts, grid, terms);
  judge_slopes(blocks, grid, grid.step * c.mm);
  judge_whites(blocks);
  return told_if_few(describe(c, blocks, grid, terms, graduated_fit(blocks, terms, count)));
}

InkingFit refit_inking(const Cells& c, const cv::Mat1i& parts, const std::vector<PartRole>& roles) {
  BlockGrid grid;
  InkingTerms terms(c.proof.cols * c.mm, c.proof.rows * c.mm);
  std::vector<Block> blocks = make_blocks(c, parts, grid, terms);
  judge_slopes(blocks, grid, grid.step * c.mm);
  judge_whites(blocks);
  const Fit fit = fit_by_role(blocks, terms, roles, grid.shared_grain);
  for (Block& b : blocks) {
    // Only unworked blocks tell of the noise.
    const PartRole role = roles[static_cast<std::size_t>(b.part)];
    if (role != PartRole::unworked && role != PartRole::faint) b.diff = 1e3;
  }
  return told_if_few(describe(c, blocks, grid, terms, fit));
}

std::optional<InkingFit> inking_alone(const Cells& c,
                                      const InkingFit& usual,
                                      const cv::Mat1i& parts,
                                      const cv::Mat1b& left_out,
                                      double most_wiping) {
  BlockGrid grid;
  InkingPriors wide;
  wide.offset = 0.1;
  wide.field = 0.05;
  wide.gain = 0.25;
  wide.shadow = 0.05;
  wide.uneven_gain = 0.2;
  const double width = c.proof.cols * c.mm, height = c.proof.rows * c.mm;
  wide.shortest_mm = std::min(wide.shortest_mm, std::max(width, height) / 4);
  InkingTerms terms(width, height, wide);
  std::vector<Block> blocks = make_blocks(c, cv::Mat1i(c.proof.size(), 0), grid, terms);
  if (!grid.shared_grain || blocks.size() < 100) return std::nullopt;
  double same_detail = 0;
  for (Block& b : blocks) {
    // (0.5)^3: at least half of the best correlation of this pair.
    same_detail += b.agreement >= 0.125 ? 1 : 0;
    b.agreement = 1;
  }
  const auto all = static_cast<double>(blocks.size());
  if (same_detail < 0.9 * all) return std::nullopt;  // before the fit, which takes far longer
  const Fit fit = fit_by_role(blocks, terms, {PartRole::unworked}, true);
  double explained = 0;
  for (const Block& b : blocks) {
    const double r = std::abs(b.diff - b.basis.dot(fit.theta));
    explained += r < std::max(0.045, 2 * b.noise) ? 1 : 0;
  }
  if (explained < 0.8 * all) return std::nullopt;
  if (explained / all < usual.inking.fitted_share + 0.15) return std::nullopt;
  if (additive_spread(blocks, terms, fit.theta) > most_wiping) return std::nullopt;
  InkingFit out = describe(c, blocks, grid, terms, fit);
  out.inking.fitted_share = explained / all;
  if (explained < 0.95 * all) {
    Cells even = c;
    even.drawing = c.drawing.clone();
    take_inking_off(even.drawing, out.field, 1);
    const double across = std::sqrt(static_cast<double>(c.proof.total())) * c.mm;
    if (painted_edges_mm(parts, even, left_out) > kNoEdges * across) return std::nullopt;
    out.inking.noise_density = std::max(out.inking.noise_density, full_spread(blocks, fit.theta));
  }
  out.notes.push_back(fmt::format(
      "The two impressions are inked and wiped very differently (contrast {:.2f}), but nothing "
      "painted shows: one smooth difference of inking explains {:.0f} % of the plate.",
      out.inking.gain,
      100 * explained / all));
  return out;
}

double field_through_paint(double print, double drawn) {
  if (drawn <= print || print >= 1) return 1;
  return std::clamp((1 - drawn) / (1 - print) * print / drawn, 0.0, 1.0);
}

double offset_doubt(const Inking& inking) {
  return kDoubtPerShare * std::max(0.0, kEnoughUnworked - inking.fitted_share);
}

void take_inking_off(cv::Mat1f& drawing, const cv::Mat1f& cell_field, int factor) {
  // The factor is worked out cell by cell and interpolated: over a cell the field hardly changes.
  cv::Mat1f times(cell_field.size());
  for_rows(times.rows, [&](int i) {
    for (int j = 0; j < times.cols; ++j) times(i, j) = std::pow(10.F, cell_field(i, j));
  });
  for_rows(drawing.rows, [&](int i) {
    if (factor == 1) {
      for (int j = 0; j < drawing.cols; ++j) drawing(i, j) *= times(i, j);
      return;
    }
    for (int j = 0; j < drawing.cols; ++j)
      drawing(i, j) *= Between(times.size(), factor, i, j)(times);
  });
}

}  // namespace rebite::tone
