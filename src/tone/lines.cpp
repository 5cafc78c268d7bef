#include "tone/lines.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "tone/at.h"
#include "tone/partition.h"
#include "tone/tasks.h"

namespace rebite::tone {
namespace {

constexpr double kContrast = 0.18;  // D, against the tone on either side
constexpr double kShortest = 5;     // mm
constexpr double kElongation = 4;

cv::Mat disc(int radius) {
  return cv::getStructuringElement(cv::MORPH_ELLIPSE, {2 * radius + 1, 2 * radius + 1});
}

int cells_of(double mm, const Cells& c) {
  return std::max(1, static_cast<int>(std::lround(mm / c.mm)));
}

// Density over a quarter millimetre; 0 where nothing can be used.
cv::Mat1f fine_density(const cv::Mat1f& reflectance, const Cells& c) {
  cv::Mat1f weight;
  cv::Mat(c.usable).convertTo(weight, CV_32F, 1.0 / 255);
  cv::Mat1f d = smooth_over(reflectance, weight, 0.22 / c.mm);
  for_rows(d.rows, [&](int i) {
    for (int j = 0; j < d.cols; ++j) {
      d(i, j) = std::isfinite(d(i, j)) && c.usable(i, j)
                    ? static_cast<float>(density_of(static_cast<double>(d(i, j))))
                    : 0.F;
    }
  });
  return d;
}

// Tones of the part a cell lies in.
cv::Mat1f part_values(const cv::Mat1i& parts, const std::vector<float>& value) {
  cv::Mat1f out(parts.size(), 0.F);
  for (int i = 0; i < parts.rows; ++i) {
    for (int j = 0; j < parts.cols; ++j) {
      if (parts(i, j) >= 0) out(i, j) = value[at(parts(i, j))];
    }
  }
  return out;
}

// Keeps what is thin and long.
cv::Mat1b strokes_of(const cv::Mat1b& candidates, const Cells& c, double brush_mm) {
  cv::Mat1b mask, wide;
  cv::morphologyEx(candidates, mask, cv::MORPH_CLOSE, disc(1));
  const cv::Mat circle = disc(cells_of(0.25 * brush_mm, c));
  cv::morphologyEx(mask, wide, cv::MORPH_OPEN, circle);
  cv::dilate(wide, wide, disc(cells_of(0.4, c)));
  mask.setTo(0, wide);
  cv::Mat1i label;
  cv::Mat1i stats;
  cv::Mat1d centres;
  const int n = cv::connectedComponentsWithStats(mask, label, stats, centres, 8, CV_32S);
  cv::Mat1f depth;
  cv::Mat1b padded;
  cv::copyMakeBorder(mask, padded, 1, 1, 1, 1, cv::BORDER_CONSTANT, 0);
  cv::distanceTransform(padded, depth, cv::DIST_L2, cv::DIST_MASK_PRECISE);
  std::vector<double> sum(at(n), 0.0);
  std::vector<double> deepest(at(n), 0.0);
  for (int i = 0; i < mask.rows; ++i) {
    for (int j = 0; j < mask.cols; ++j) {
      if (!mask(i, j)) continue;
      const double d = static_cast<double>(depth(i + 1, j + 1));
      sum[at(label(i, j))] += d - 0.25;
      deepest[at(label(i, j))] = std::max(deepest[at(label(i, j))], d);
    }
  }
  std::vector<uchar> keep(at(n), 0);
  for (int k = 1; k < n; ++k) {
    const double area = stats(k, cv::CC_STAT_AREA);
    // Mean depth of a strip is a quarter of its width.
    const double width = std::max(1.0, 4 * sum[at(k)] / area);
    const double length = area / width;
    const bool thin = (2 * deepest[at(k)] - 1) * c.mm <= 0.5 * brush_mm;
    if (thin && length * c.mm >= kShortest && length >= kElongation * width) keep[at(k)] = 255;
  }
  for (int i = 0; i < mask.rows; ++i) {
    for (int j = 0; j < mask.cols; ++j) mask(i, j) = mask(i, j) ? keep[at(label(i, j))] : 0;
  }
  return mask;
}

// Adds the strokes as groups.
void add_groups(const cv::Mat1b& strokes, const Cells& c, double brush_mm, DrawnLines& out) {
  cv::Mat1b near;
  cv::dilate(strokes, near, disc(cells_of(0.25 * brush_mm, c)));
  cv::Mat1i label;
  cv::connectedComponents(near, label, 8, CV_32S);
  std::vector<int> number;
  for (int i = 0; i < strokes.rows; ++i) {
    for (int j = 0; j < strokes.cols; ++j) {
      if (!strokes(i, j) || out.mask(i, j)) continue;
      if (number.size() <= at(label(i, j))) number.resize(at(label(i, j)) + 1, -1);
      int& n = number[at(label(i, j))];
      if (n < 0) n = out.count++;
      out.group(i, j) = n;
    }
  }
  out.mask |= strokes;
}

}  // namespace

DrawnLines find_lines(
    const Cells& c, const cv::Mat1i& parts, int count, const cv::Mat1b& left_out, double brush_mm) {
  DrawnLines out;
  out.mask = cv::Mat1b(parts.size(), static_cast<uchar>(0));
  out.group = cv::Mat1i(parts.size(), -1);
  const PartGraph g = graph_of(parts, count, c, left_out);
  std::vector<float> gaps, targets;
  for (const PartSums& s : g.parts) {
    gaps.push_back(static_cast<float>(s.gap()));
    targets.push_back(static_cast<float>(s.target()));
  }
  // Around: the most (least) that the parts within a millimetre have, so that no border of an area
  // looks like a stroke.
  const cv::Mat around = disc(cells_of(1.0, c));
  const cv::Mat1f gap = part_values(parts, gaps);
  const cv::Mat1f target = part_values(parts, targets);
  cv::Mat1f gap_high, gap_low, target_high, target_low, now_high;
  cv::Mat1f p, d;
  at_once({[&] { cv::dilate(gap, gap_high, around); },
           [&] { cv::erode(gap, gap_low, around); },
           [&] { cv::dilate(target, target_high, around); },
           [&] { cv::erode(target, target_low, around); },
           [&] { cv::dilate(cv::Mat1f(target - gap), now_high, around); },
           [&] { p = fine_density(c.proof, c); },
           [&] { d = fine_density(c.drawing, c); }});
  double sigma = 0;
  for (const float s : c.sigma_mm) sigma = std::max(sigma, static_cast<double>(s));
  const cv::Mat slack = disc(cells_of(std::clamp(2 * sigma, 0.25, 0.75), c));
  cv::Mat1f p_high, p_low;
  at_once({[&] { cv::dilate(p, p_high, slack); }, [&] { cv::erode(p, p_low, slack); }});
  cv::Mat1b darker(parts.size(), static_cast<uchar>(0));
  cv::Mat1b lighter(parts.size(), static_cast<uchar>(0));
  const float contrast = static_cast<float>(kContrast);
  for_rows(parts.rows, [&](int i) {
    for (int j = 0; j < parts.cols; ++j) {
      if (parts(i, j) < 0 || !c.usable(i, j) || (!left_out.empty() && left_out(i, j))) continue;
      // Three times the grain's own scatter over a quarter millimetre.
      const float grain = 4 * c.noise_gap(i, j);
      const float least = std::max(contrast, grain);
      if (d(i, j) - p_high(i, j) - std::max(0.F, gap_high(i, j)) > least &&
          d(i, j) - target_high(i, j) > least) {
        darker(i, j) = 255;
      }
      if (d(i, j) - p_low(i, j) - std::min(0.F, gap_low(i, j)) < -least &&
          (target_low(i, j) - d(i, j) > least || p(i, j) - now_high(i, j) > least)) {
        lighter(i, j) = 255;
      }
    }
  });
  cv::Mat1b dark_strokes, light_strokes;
  at_once({[&] { dark_strokes = strokes_of(darker, c, brush_mm); },
           [&] { light_strokes = strokes_of(lighter, c, brush_mm); }});
  add_groups(dark_strokes, c, brush_mm, out);
  add_groups(light_strokes, c, brush_mm, out);
  return out;
}

cv::Mat1i fine_lines(const DrawnLines& lines, int factor, cv::Size full) {
  cv::Mat1i out(full, -1);
  if (lines.count == 0) return out;
  cv::Mat1f soft;
  cv::Mat(lines.mask).convertTo(soft, CV_32F, 1.0 / 255);
  cv::GaussianBlur(soft, soft, {}, 0.6, 0.6, cv::BORDER_REPLICATE);
  cv::Mat1f big;
  cv::resize(soft, big, soft.size() * factor, 0, 0, cv::INTER_LINEAR);
  cv::Mat1i spread = lines.group.clone();
  // Cells beside a stroke take its number, for the contour runs between cells.
  for_rows(spread.rows, [&](int i) {
    for (int j = 0; j < spread.cols; ++j) {
      if (lines.group(i, j) >= 0) continue;
      for (int y = std::max(0, i - 1); y <= std::min(spread.rows - 1, i + 1); ++y) {
        for (int x = std::max(0, j - 1); x <= std::min(spread.cols - 1, j + 1); ++x) {
          spread(i, j) = std::max(spread(i, j), lines.group(y, x));
        }
      }
    }
  });
  for_rows(full.height, [&](int i) {
    for (int j = 0; j < full.width; ++j) {
      if (big(i, j) > 0.45F) out(i, j) = spread(i / factor, j / factor);
    }
  });
  return out;
}

}  // namespace rebite::tone
