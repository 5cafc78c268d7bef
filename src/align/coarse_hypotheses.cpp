#include "align/coarse_hypotheses.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <opencv2/calib3d.hpp>
#include <opencv2/features2d.hpp>
#include <opencv2/imgproc.hpp>

#include "align/spline_warp.h"

namespace rebite::align {
namespace {

constexpr int kMostFeatures = 2500;
constexpr float kRatio = 0.85F;  // nearest against second nearest descriptor
constexpr int kLeastInliers = 10;

// Paper to D 1.6 over the 8 bits that the detector takes.
cv::Mat1b as_bytes(const cv::Mat1f& density) {
  cv::Mat1b bytes;
  density.convertTo(bytes, CV_8U, 255 / 1.6, 4);
  return bytes;
}

Features::Set detect(const cv::Mat1b& image, const cv::Mat1b& where, bool flipped) {
  Features::Set set;
  cv::Mat picture = image, mask = where;
  if (flipped) {
    cv::flip(image, picture, 1);
    if (!where.empty()) cv::flip(where, mask, 1);
  }
  std::vector<cv::KeyPoint> keys;
  const auto sift = cv::SIFT::create(kMostFeatures, 3, 0.02);
  sift->detectAndCompute(picture, mask, keys, set.descriptors);
  for (const cv::KeyPoint& k : keys)
    set.px.emplace_back(flipped ? static_cast<float>(image.cols - 1) - k.pt.x : k.pt.x, k.pt.y);
  return set;
}

struct Pairs {
  std::vector<cv::Point2d> from, to;
};

Pairs match_sets(const Features::Set& a, const Features::Set& b) {
  Pairs pairs;
  if (a.px.size() < kLeastInliers || b.px.size() < kLeastInliers) return pairs;
  std::vector<std::vector<cv::DMatch>> matches;
  cv::BFMatcher(cv::NORM_L2).knnMatch(a.descriptors, b.descriptors, matches, 2);
  for (const auto& m : matches) {
    if (m.size() < 2 || m[0].distance > kRatio * m[1].distance) continue;
    pairs.from.emplace_back(a.px[static_cast<std::size_t>(m[0].queryIdx)]);
    pairs.to.emplace_back(b.px[static_cast<std::size_t>(m[0].trainIdx)]);
  }
  return pairs;
}

cv::Matx33d pixels_to_mm(double px_per_mm) {
  return {1 / px_per_mm, 0, 0.5 / px_per_mm, 0, 1 / px_per_mm, 0.5 / px_per_mm, 0, 0, 1};
}

// Matches again, each feature only among those near where the map sends it: far more agree then.
Pairs guided(const Features::Set& a,
             const Features::Set& b,
             const cv::Matx33d& map,
             double radius) {
  Pairs pairs;
  for (std::size_t k = 0; k < a.px.size(); ++k) {
    const cv::Point2d goal = project(map, a.px[k]);
    double best = 1e9;
    std::size_t nearest = 0;
    for (std::size_t m = 0; m < b.px.size(); ++m) {
      const cv::Point2d d = cv::Point2d(b.px[m]) - goal;
      if (d.dot(d) > radius * radius) continue;
      const double distance = cv::norm(a.descriptors.row(static_cast<int>(k)),
                                       b.descriptors.row(static_cast<int>(m)),
                                       cv::NORM_L2);
      if (distance < best) {
        best = distance;
        nearest = m;
      }
    }
    if (best > 300) continue;  // of at most some 700 between SIFT descriptors
    pairs.from.emplace_back(a.px[k]);
    pairs.to.emplace_back(b.px[nearest]);
  }
  return pairs;
}

// Affine map by least squares.
cv::Matx33d affine_of(const std::vector<cv::Point2d>& from, const std::vector<cv::Point2d>& to) {
  cv::Matx33d normal = cv::Matx33d::zeros();
  cv::Vec3d rx, ry;
  for (std::size_t k = 0; k < from.size(); ++k) {
    const cv::Vec3d f(from[k].x, from[k].y, 1);
    normal += f * f.t();
    rx += to[k].x * f;
    ry += to[k].y * f;
  }
  const cv::Matx33d inverse = normal.inv(cv::DECOMP_SVD);
  const cv::Vec3d x = inverse * rx, y = inverse * ry;
  return {x[0], x[1], x[2], y[0], y[1], y[2], 0, 0, 1};
}

double rms(const cv::Matx33d& map,
           const std::vector<cv::Point2d>& from,
           const std::vector<cv::Point2d>& to) {
  double sum = 0;
  for (std::size_t k = 0; k < from.size(); ++k) {
    const cv::Point2d e = project(map, from[k]) - to[k];
    sum += e.dot(e);
  }
  return std::sqrt(sum / static_cast<double>(std::max<std::size_t>(1, from.size())));
}

// A map that folds or shrinks to nothing over what it was found on cannot be a sheet of paper.
bool plausible(const cv::Matx33d& map, const std::vector<cv::Point2d>& from) {
  double least = 1e9, most = 0;
  int sign = 0;
  for (const cv::Point2d& p : from) {
    const double det = cv::determinant(project_slope(map, p));
    if (!std::isfinite(det) || det == 0) return false;
    if (sign == 0) sign = det > 0 ? 1 : -1;
    if ((det > 0 ? 1 : -1) != sign) return false;
    least = std::min(least, std::abs(det));
    most = std::max(most, std::abs(det));
  }
  return least > 1.0 / 64 && most < 64 && most < 9 * least;
}

}  // namespace

double Hypothesis::scale() const {
  return std::sqrt(std::abs(cv::determinant(project_slope(map, at))));
}

MapShape shape_of(const cv::Matx22d& s) {
  MapShape shape;
  const double det = cv::determinant(s);
  shape.mirrored = det < 0;
  shape.scale_x = std::hypot(s(0, 0), s(1, 0));
  shape.scale_y = std::hypot(s(0, 1), s(1, 1));
  // Rotation by polar decomposition, mirrored maps turned back left to right first. Angles count
  // counter-clockwise as seen, with y down.
  const double m = shape.mirrored ? -1 : 1;
  shape.rotation_deg =
      -std::atan2(s(1, 0) * m - s(0, 1), s(0, 0) * m + s(1, 1)) * 180 / std::numbers::pi;
  shape.skew = (s(0, 0) * s(0, 1) + s(1, 0) * s(1, 1)) / (shape.scale_x * shape.scale_y);
  return shape;
}

Features find_features(const Level& level, bool flipped, const cv::Mat1b& where) {
  Features features;
  features.plain = detect(as_bytes(level.density), where, flipped);
  cv::Mat1f blurred;
  cv::GaussianBlur(level.density, blurred, {}, 0.5 * level.px_per_mm);
  features.blurred = detect(as_bytes(blurred), where, flipped);
  return features;
}

std::optional<cv::Matx33d> robust_homography(const std::vector<cv::Point2d>& from,
                                             const std::vector<cv::Point2d>& to,
                                             double tolerance,
                                             int* inliers) {
  if (inliers) *inliers = 0;
  if (from.size() < 4) return std::nullopt;
  cv::UsacParams usac;
  usac.confidence = 0.999;
  usac.maxIterations = 4000;
  usac.threshold = tolerance;
  usac.score = cv::SCORE_METHOD_MAGSAC;
  usac.loMethod = cv::LOCAL_OPTIM_SIGMA;
  usac.loIterations = 10;
  usac.loSampleSize = 50;
  usac.sampler = cv::SAMPLING_UNIFORM;
  usac.isParallel = false;
  usac.randomGeneratorState = 20240;  // fixed: same input, same map
  cv::Mat mask;
  const cv::Mat found = cv::findHomography(from, to, mask, usac);
  if (found.empty()) return std::nullopt;
  std::vector<cv::Point2d> a, b;
  for (int k = 0; k < mask.rows; ++k)
    if (mask.at<unsigned char>(k)) {
      a.push_back(from[static_cast<std::size_t>(k)]);
      b.push_back(to[static_cast<std::size_t>(k)]);
    }
  if (inliers) *inliers = static_cast<int>(a.size());
  if (a.size() < 4) return std::nullopt;
  const cv::Mat refined = cv::findHomography(a, b, 0);
  return cv::Matx33d(refined.empty() ? found : refined);
}

std::vector<Hypothesis> feature_hypotheses(const Features& proof,
                                           const Features& drawing,
                                           double proof_px_per_mm,
                                           double drawing_px_per_mm,
                                           bool mirrored) {
  std::vector<Hypothesis> all;
  const Features::Set* sets[2][2] = {{&proof.plain, &drawing.plain},
                                     {&proof.blurred, &drawing.blurred}};
  for (const auto& [a, b] : sets) {
    Pairs pairs = match_sets(*a, *b);
    int inliers = 0;
    auto h = robust_homography(pairs.from, pairs.to, 3.0, &inliers);
    if (!h || inliers < kLeastInliers) continue;
    for (const double radius : {8.0, 4.0}) {
      const Pairs more = guided(*a, *b, *h, radius);
      int agreeing = 0;
      const auto better = robust_homography(more.from, more.to, 2.0, &agreeing);
      if (!better || agreeing < inliers) break;
      pairs = more;
      inliers = agreeing;
      h = better;
    }
    std::vector<cv::Point2d> from, to;
    cv::Point2d middle;
    for (std::size_t k = 0; k < pairs.from.size(); ++k)
      if (cv::norm(project(*h, pairs.from[k]) - pairs.to[k]) < 3) {
        from.push_back(pairs.from[k]);
        to.push_back(pairs.to[k]);
        middle += pairs.from[k];
      }
    if (from.size() < kLeastInliers || !plausible(*h, from)) continue;
    middle *= 1.0 / static_cast<double>(from.size());
    // A flatbed pair is affine but for a smooth wander; eight numbers where six do would only bend.
    const cv::Matx33d affine = affine_of(from, to);
    const bool flat = rms(affine, from, to) < 1.5 * rms(*h, from, to) + 0.5;
    const cv::Matx33d map = flat ? affine : *h;
    if ((cv::determinant(project_slope(map, middle)) < 0) != mirrored) continue;
    Hypothesis hypothesis;
    hypothesis.map = pixels_to_mm(drawing_px_per_mm) * map * pixels_to_mm(proof_px_per_mm).inv();
    hypothesis.mirrored = mirrored;
    hypothesis.support = static_cast<int>(from.size());
    hypothesis.at = (middle + cv::Point2d(0.5, 0.5)) / proof_px_per_mm;
    all.push_back(hypothesis);
  }
  return all;
}

std::vector<Hypothesis> outline_hypotheses(const Corners& proof,
                                           const Corners& drawing,
                                           bool mirrored) {
  std::vector<Hypothesis> all;
  const cv::Point2d middle = (proof[0] + proof[1] + proof[2] + proof[3]) / 4;
  for (std::size_t k = 0; k < 4; ++k) {
    std::vector<cv::Point2f> from, to;
    std::vector<cv::Point2d> a, b;
    for (std::size_t c = 0; c < 4; ++c) {
      const cv::Point2d q = drawing[mirrored ? (k + 4 - c) % 4 : (k + c) % 4];
      a.push_back(proof[c]);
      b.push_back(q);
      from.emplace_back(proof[c]);
      to.emplace_back(q);
    }
    Hypothesis hypothesis;
    const cv::Matx33d affine = affine_of(a, b);
    hypothesis.map =
        rms(affine, a, b) < 2 ? affine : cv::Matx33d(cv::getPerspectiveTransform(from, to));
    hypothesis.mirrored = mirrored;
    hypothesis.at = middle;
    all.push_back(hypothesis);
  }
  return all;
}

}  // namespace rebite::align
