#include "tests/support/tone_layers.h"

#include <algorithm>
#include <array>
#include <cassert>
#include <cmath>

#include "tests/support/chance.h"

namespace rebite::maker {
namespace {

constexpr int curve_nodes = 4096;

}  // namespace

// A table instead of expf: faster, and the same bytes on every processor (the C library's expf
// takes fused multiply-add where there is one, and then rounds differently).
namespace {

class Powers {
 public:
  Powers() {
    for (size_t i = 0; i < table_.size(); ++i) {
      table_[i] = static_cast<float>(std::pow(10.0, lowest - static_cast<double>(i) / per_unit));
    }
  }
  float of(float density) const {
    const float p =
        std::clamp((density + lowest) * per_unit, 0.F, static_cast<float>(table_.size()) - 1.001F);
    const auto i = static_cast<size_t>(p);
    return table_[i] + (p - static_cast<float>(i)) * (table_[i + 1] - table_[i]);
  }

 private:
  static constexpr int per_unit = 1024;
  static constexpr int lowest = 1;  // -1 .. 6
  std::array<float, 7 * per_unit + 1> table_;
};

const Powers powers;

}  // namespace

float reflectance(float density) { return powers.of(density); }

// ---- PlateMap ----

PlateMap::PlateMap(const cv::Mat1f& map, SizeMm plate, float otherwise)
    : map_(map),
      empty_(map.empty()),
      px_per_mm_x_(static_cast<float>(map.cols / plate.width)),
      px_per_mm_y_(static_cast<float>(map.rows / plate.height)),
      otherwise_(otherwise) {}

float PlateMap::at(float x_mm, float y_mm) const {
  if (empty_) return otherwise_;
  const float x = std::clamp(x_mm * px_per_mm_x_ - 0.5F, 0.F, static_cast<float>(map_.cols - 1));
  const float y = std::clamp(y_mm * px_per_mm_y_ - 0.5F, 0.F, static_cast<float>(map_.rows - 1));
  const int i = static_cast<int>(x), j = static_cast<int>(y);
  const int i1 = std::min(i + 1, map_.cols - 1), j1 = std::min(j + 1, map_.rows - 1);
  const float fx = x - static_cast<float>(i), fy = y - static_cast<float>(j);
  const float* a = map_.ptr<float>(j);
  const float* b = map_.ptr<float>(j1);
  const float top = a[i] + fx * (a[i1] - a[i]), bottom = b[i] + fx * (b[i1] - b[i]);
  return top + fy * (bottom - top);
}

// ---- PrintedPlate ----

PrintedPlate::PrintedPlate(const Plate& plate,
                           const Impression& print,
                           const Rework* rework,
                           double sample_mm)
    : lines_(plate.lines, plate.size, 0),
      burnish_(plate.burnish, plate.size, 1),
      film_(reflectance(static_cast<float>(plate.curve.d0 * print.ink_gain))),
      solid_(static_cast<float>(plate.curve.solid * print.ink_gain)),
      ink_error_(static_cast<float>(print.grain_ink_error)),
      plate_tone_(print.plate_tone),
      wiping_density_(print.wiping_density),
      ink_seed_(mix(print.seed, 0x696e6b)),
      wiping_(mix(print.seed, 0x77697065), 35, 150) {
  if (rework != nullptr) {
    wash_ = PlateMap(rework->wash_density, plate.size, 0);
    alpha_ = PlateMap(rework->opaque_alpha, plate.size, 0);
    paint_ = PlateMap(rework->opaque_density, plate.size, 0);
  }
  // Mean of 10^-(solid (1 + e n)) for n uniform with sd 1.
  const double k = std::log(10.0) * static_cast<double>(solid_ * ink_error_) * std::sqrt(3.0);
  mean_ink_ = reflectance(solid_) * static_cast<float>(k > 1e-6 ? std::sinh(k) / k : 1.0);

  std::vector<std::uint64_t> seeds;
  std::vector<double> longest;
  for (const auto& bite : plate.bites) {
    assert(!bite.minutes.empty());
    double most = 0;
    cv::minMaxLoc(bite.minutes, nullptr, &most);
    const auto found = std::find(seeds.begin(), seeds.end(), bite.ground_seed);
    const auto i = static_cast<size_t>(found - seeds.begin());
    if (found == seeds.end()) {
      seeds.push_back(bite.ground_seed);
      longest.push_back(0);
      Ground ground;
      ground.contrast = static_cast<float>(bite.grain_contrast);
      ground.grain = std::make_unique<Grain>(bite.ground_seed, bite.grain_mm, plate.size);
      // From a grain's centre to the far places, rank runs through 0..1 within about half the
      // spacing; a sample that wide softens the edge by about its share of it.
      ground.edge.emplace(std::min(1.0, 1.2 * sample_mm / bite.grain_mm));
      grounds_.push_back(std::move(ground));
    }
    grounds_[i].minutes.emplace_back(bite.minutes, plate.size, 0.F);
    longest[i] += most;
  }
  for (size_t i = 0; i < grounds_.size(); ++i) {
    const double root = std::sqrt(std::max(longest[i], 0.01));
    const double power = i == 0 ? 1.0 : plate.overlap_q;
    grounds_[i].per_root_minute = static_cast<float>((curve_nodes - 1) / root);
    for (int n = 0; n < curve_nodes; ++n) {
      const double r = root * n / (curve_nodes - 1);
      const double land = 1 - plate.curve.pit_coverage(r * r);
      grounds_[i].coverage.push_back(static_cast<float>(1 - std::pow(land, power)));
    }
  }
}

float PrintedPlate::Ground::coverage_at(float x_mm, float y_mm) const {
  float t = 0;
  for (const auto& map : minutes) t += map.at(x_mm, y_mm);
  const float p =
      std::clamp(std::sqrt(std::max(0.F, t)) * per_root_minute, 0.F, curve_nodes - 1.001F);
  const auto i = static_cast<size_t>(p);
  return coverage[i] + (p - static_cast<float>(i)) * (coverage[i + 1] - coverage[i]);
}

float PrintedPlate::ink_at(float x_mm, float y_mm) const {
  if (ink_error_ == 0.F) return mean_ink_;
  // Cells of 0.12 mm in a frame turned by about 30 degrees, so that none follows the pixels.
  const float u = (0.8660F * x_mm + 0.5F * y_mm) / 0.12F;
  const float v = (-0.5F * x_mm + 0.8660F * y_mm) / 0.12F;
  const auto bits = mix(ink_seed_,
                        static_cast<std::int64_t>(std::floor(u)),
                        static_cast<std::int64_t>(std::floor(v)));
  const float n = static_cast<float>((2 * unit(bits) - 1) * 1.7320508);
  return reflectance(solid_ * (1 + ink_error_ * n));
}

float PrintedPlate::finish(float land, float ink, float x, float y, float wiping) const {
  const float bitten = (1.F - land) * burnish_.at(x, y);
  float r = film_ + bitten * (ink - film_);
  if (!lines_.empty()) r += lines_.at(x, y) * (ink - r);
  r *= wiping;
  if (!wash_.empty()) {
    const float wash = wash_.at(x, y);
    if (wash != 0.F) r *= reflectance(wash);
  }
  if (!alpha_.empty()) {
    const float alpha = alpha_.at(x, y);
    if (alpha > 0.F) r += alpha * (reflectance(paint_.at(x, y)) - r);
  }
  return r;
}

SamplePlace middle(const SamplePlace* samples, int n) {
  SamplePlace m = samples[0];
  for (int i = 1; i < n; ++i) {
    m.x += samples[i].x;
    m.y += samples[i].y;
    m.wiping += samples[i].wiping;
  }
  const float share = 1.F / static_cast<float>(n);
  return {m.x * share, m.y * share, m.wiping * share};
}

float PrintedPlate::at(const SamplePlace* samples, int n) const {
  assert(n <= 4);
  const SamplePlace m = middle(samples, n);
  float land[4] = {1, 1, 1, 1};
  for (const auto& ground : grounds_) {
    const float a = ground.coverage_at(m.x, m.y);
    if (a <= 0.F) continue;
    const float threshold = ground.edge->threshold(a);
    for (int i = 0; i < n; ++i) {
      const float hard =
          ground.edge->inked(threshold, ground.grain->rank(samples[i].x, samples[i].y));
      land[i] *= 1.F - (a + ground.contrast * (hard - a));
    }
  }
  float sum = 0;
  for (int i = 0; i < n; ++i) sum += land[i];
  return finish(sum / static_cast<float>(n), ink_at(m.x, m.y), m.x, m.y, m.wiping);
}

float PrintedPlate::mean_at(float x, float y, float wiping) const {
  float land = 1;
  for (const auto& ground : grounds_) land *= 1.F - ground.coverage_at(x, y);
  return finish(land, mean_ink_, x, y, wiping);
}

double PrintedPlate::wiping(double x, double y) const {
  double d = plate_tone_;
  if (wiping_density_ != 0) d += wiping_density_ * wiping_.unit_sd(x, y);
  return std::pow(10, -d);
}

// ---- DrawnSheet ----

DrawnSheet::DrawnSheet(const Plate& frame, const cv::Mat1f& density, const cv::Mat1f& lines)
    : density_(density, frame.size, 0),
      lines_(lines, frame.size, 0),
      ink_(reflectance(static_cast<float>(frame.curve.solid))) {}

float DrawnSheet::at(const SamplePlace* samples, int n) const {
  const SamplePlace m = middle(samples, n);
  return mean_at(m.x, m.y, 1);
}

float DrawnSheet::mean_at(float x, float y, float) const {
  const float r = reflectance(density_.at(x, y));
  return r + lines_.at(x, y) * (ink_ - r);
}

}  // namespace rebite::maker
