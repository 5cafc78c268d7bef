#include "tests/sheets/made_content.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <opencv2/imgproc.hpp>
#include <set>

#include "tests/sheets/made_scene.h"

namespace rebite::maker {
namespace {

using plan::Action;
using sheets::SheetContent;

constexpr double d0 = 0.05, d1 = 1.42, tau = 5.0, beta = 0.8, solid = 1.45;

double curve_at(double t) { return d0 + (d1 - d0) * (1 - std::exp(-std::pow(t / tau, beta))); }
double curve_inverse(double d) {
  const double share = std::clamp((d - d0) / (d1 - d0), 0.0, 0.985);
  return tau * std::pow(-std::log(1 - share), 1 / beta);
}
double land(double d) { return 1 - (1 - std::pow(10, -d)) / (1 - std::pow(10, -solid)); }
// Fresh ground over an old tone: the light that is left multiplies.
double overlay(double now, double fresh) {
  return -std::log10(1 - (1 - land(now) * land(fresh)) * (1 - std::pow(10, -solid)));
}
double fresh_for(double now, double target) {
  const double l = std::clamp(land(target) / land(now), 0.001, 1.0);
  return -std::log10(1 - (1 - l) * (1 - std::pow(10, -solid)));
}

// Repeatable noise in -1..1 for one pixel (a small integer hash; no library's generator).
double noise_at(int x, int y, std::uint32_t seed) {
  std::uint32_t h = seed * 0x9E3779B9U + static_cast<std::uint32_t>(x) * 0x85EBCA6BU +
                    static_cast<std::uint32_t>(y) * 0xC2B2AE35U;
  h ^= h >> 16;
  h *= 0x7FEB352DU;
  h ^= h >> 15;
  h *= 0x846CA68BU;
  h ^= h >> 16;
  return static_cast<double>(h) / 2147483647.5 - 1;
}

const double totals[] = {20 / 60.0, 50 / 60.0, 1.5, 3.0, 6.5};

int stage_for(double minutes) {
  int best = 1;
  for (int k = 1; k <= 5; ++k) {
    if (std::abs(std::log(totals[k - 1] / minutes)) <
        std::abs(std::log(totals[best - 1] / minutes)))
      best = k;
  }
  return best;
}

void set_bite(plan::PlannedRegion& r) {
  const double now = r.region.now.value.value(), target = r.region.target.value.value();
  const double best = std::max(0.1, curve_inverse(fresh_for(now, target)));
  const double spread = 0.12 + 0.4 * r.region.gap_sd;
  r.minutes = plan::Minutes{BiteTime::minutes(best * std::exp(-1.645 * spread)),
                            BiteTime::minutes(best),
                            BiteTime::minutes(best * std::exp(1.645 * spread)),
                            BiteTime::minutes(best * 0.9)};
  r.stage = stage_for(best * 0.9);
  r.predicted = {Density::of(overlay(now, curve_at(totals[r.stage - 1]))), 0.035};
  if (r.action == Action::beyond) r.nearest = Density::of(1.38);
}

// Where each region stands after each dip: what is open follows the curve, lowered ones are done.
void set_after_stages(SheetContent& c) {
  for (auto& r : c.plan.regions) {
    const double now = r.region.now.value.value();
    for (const auto& s : c.plan.stages) {
      const double total =
          c.plan.stages[static_cast<std::size_t>(std::max(0, std::min(s.number, r.stage) - 1))]
              .total.in_minutes();
      const bool lowered = r.action == Action::burnish || r.action == Action::scrape;
      r.after_stage.push_back(
          lowered || r.stage == s.number ? r.predicted
          : r.stage == 0                 ? r.region.now
                         : DensityEstimate{Density::of(overlay(now, curve_at(total))), 0.03});
    }
  }
  for (const auto& s : c.plan.stages)
    c.plan.control_strip.push_back(
        {s.number, s.total, {Density::of(curve_at(s.total.in_minutes())), 0.02}});
}

void set_gap_shares(SheetContent& c) {
  std::map<int, double> change;
  for (const auto& r : c.plan.regions)
    change[r.region.id] = r.predicted.value.value() - r.region.now.value.value();
  c.gap_shares = tone::gap_shares(c.map, change);
}

void measure_region(tone::Region& r, const SheetContent& c) {
  const cv::Mat1b mask(c.map.labels == r.id);
  cv::Mat1b framed;
  cv::copyMakeBorder(mask, framed, 1, 1, 1, 1, cv::BORDER_CONSTANT, cv::Scalar(0));
  cv::Mat1f distance;
  cv::distanceTransform(framed, distance, cv::DIST_L2, cv::DIST_MASK_PRECISE);
  double far = 0;
  cv::Point at;
  cv::minMaxLoc(distance, nullptr, &far, nullptr, &at);
  const double k = c.map.grid.px_per_mm;
  r.area_mm2 = cv::countNonZero(mask) / (k * k);
  r.width_mm = 2 * far / k;
  r.centre = {(at.x - 1 + 0.5) / k, (at.y - 1 + 0.5) / k};
  std::set<int> beside;
  for (int y = 0; y + 1 < c.map.labels.rows; ++y) {
    for (int x = 0; x + 1 < c.map.labels.cols; ++x) {
      const int here = c.map.labels(y, x);
      for (const int other : {int{c.map.labels(y, x + 1)}, int{c.map.labels(y + 1, x)}}) {
        if (here == other) continue;
        if (here == r.id && other != 0) beside.insert(other);
        if (other == r.id && here != 0) beside.insert(here);
      }
    }
  }
  r.neighbours.assign(beside.begin(), beside.end());
}

plan::PlannedRegion planned(const SceneShape& shape, int id, const SheetContent& c) {
  plan::PlannedRegion r;
  r.region.id = id;
  r.action = shape.action;
  r.region.kind = shape.action == Action::line   ? tone::RegionKind::line
                  : shape.action == Action::soft ? tone::RegionKind::soft
                                                 : tone::RegionKind::area;
  r.region.now = {Density::of(shape.now), 0.012};
  r.region.target = {Density::of(shape.target), 0.015};
  r.region.gap = ToneGap::of(shape.target - shape.now);
  r.region.gap_sd = 0.02 + 0.03 * std::abs(shape.target - shape.now);
  r.predicted = r.region.target;
  measure_region(r.region, c);
  if (shape.action == Action::bite || shape.action == Action::beyond) set_bite(r);
  if (shape.action == Action::soft) r.predicted = r.region.now;
  if (shape.action == Action::line) r.predicted = r.region.now;
  if ((shape.action == Action::soft || shape.action == Action::line) && shape.target > shape.now)
    r.guide = BiteTime::minutes(curve_inverse(fresh_for(shape.now, shape.target)));
  if (shape.action == Action::beyond)
    r.notes.push_back("darker than this batch reaches: nearest tone D 1.38");
  if (r.region.width_mm < 4) r.notes.push_back("narrower than the brush");
  return r;
}

void set_stages(SheetContent& c) {
  std::vector<int> wanted;
  for (const auto& r : c.plan.regions)
    if (r.stage > 0) wanted.push_back(r.stage);
  std::sort(wanted.begin(), wanted.end());
  wanted.erase(std::unique(wanted.begin(), wanted.end()), wanted.end());
  for (auto& r : c.plan.regions) {
    if (r.stage > 0)
      r.stage = static_cast<int>(std::lower_bound(wanted.begin(), wanted.end(), r.stage) -
                                 wanted.begin()) +
                1;
  }
  double before = 0;
  for (std::size_t i = 0; i < wanted.size(); ++i) {
    plan::Stage s;
    s.number = static_cast<int>(i) + 1;
    s.total = BiteTime::minutes(totals[wanted[i] - 1]);
    s.dip = s.total - BiteTime::minutes(before);
    before = s.total.in_minutes();
    for (const auto& r : c.plan.regions) {
      if (r.stage == s.number - 1) s.stop_out_before.push_back(r.region.id);
      if (r.stage >= s.number) s.still_open.push_back(r.region.id);
    }
    c.plan.stages.push_back(s);
  }
  const double losses[] = {0.31, 0.17, 0.09, 0.05, 0.03, 0.026, 0.024};
  for (int k = 1; k <= 7 && !wanted.empty(); ++k) {
    c.plan.stage_table.push_back({k,
                                  losses[k - 1],
                                  k == 1 ? 0 : losses[k - 2] - losses[k - 1],
                                  k == static_cast<int>(wanted.size())});
  }
  if (!wanted.empty())
    c.plan.handling = BiteTime::minutes(6.0 * static_cast<double>(wanted.size()));
}

// Tone maps from the regions; between them the lock's own greys, the same in proof and drawing.
void set_tones(SheetContent& c) {
  std::map<int, const plan::PlannedRegion*> by_id;
  for (const auto& r : c.plan.regions) by_id[r.region.id] = &r;
  c.map.now.create(c.map.labels.size());
  c.map.target.create(c.map.labels.size());
  for (int y = 0; y < c.map.labels.rows; ++y) {
    for (int x = 0; x < c.map.labels.cols; ++x) {
      const auto it = by_id.find(c.map.labels(y, x));
      const double rest = 0.08 + 0.04 * y / c.map.labels.rows;
      c.map.now(y, x) =
          static_cast<float>(it == by_id.end() ? rest : it->second->region.now.value.value());
      c.map.target(y, x) =
          static_cast<float>(it == by_id.end() ? rest : it->second->region.target.value.value());
    }
  }
  cv::GaussianBlur(c.map.now, c.map.now, {0, 0}, 0.6 * c.map.grid.px_per_mm);
  cv::GaussianBlur(c.map.target, c.map.target, {0, 0}, 0.6 * c.map.grid.px_per_mm);
  c.map.gap = c.map.target - c.map.now;
}

// A print of a density map: random grain whose mean reflectance is the tone's.
cv::Mat1b printed(const cv::Mat1f& density, cv::Size size, std::uint32_t seed) {
  cv::Mat1f d;
  cv::resize(density, d, size, 0, 0, cv::INTER_LINEAR);
  cv::Mat1b out(size);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      const double r = std::pow(10.0, -static_cast<double>(d(y, x)));
      const double grain = 1 + 0.22 * noise_at(x, y, seed) * std::sqrt(r * (1 - r) * 4);
      out(y, x) =
          cv::saturate_cast<uchar>(245 * std::pow(std::clamp(r * grain, 0.0, 1.0), 1 / 2.2));
    }
  }
  return out;
}

void set_pictures(SheetContent& c, const ContentOptions& o) {
  const cv::Size size(static_cast<int>(std::ceil(c.plate.width * o.picture_px_per_mm)),
                      static_cast<int>(std::ceil(c.plate.height * o.picture_px_per_mm)));
  c.picture_px_per_mm = o.picture_px_per_mm;
  cv::Mat1f next = c.map.now.clone();
  for (const auto& r : c.plan.regions)
    next.setTo(static_cast<float>(r.predicted.value.value()), c.map.labels == r.region.id);
  c.proof_picture = printed(c.map.now, size, o.seed);
  c.drawing_picture = printed(c.map.target, size, o.seed + 1);
  c.next_proof_picture = printed(next, size, o.seed);
  const int margin = static_cast<int>(12 * o.picture_px_per_mm);
  cv::Mat sheet;
  cv::copyMakeBorder(c.next_proof_picture,
                     sheet,
                     margin,
                     margin,
                     margin,
                     margin,
                     cv::BORDER_CONSTANT,
                     cv::Scalar(250));
  c.next_proof_scan = sheet;
  c.next_proof_px_per_mm = o.picture_px_per_mm;
  c.alignment_sigma_mm.create(c.map.labels.size());
  for (int y = 0; y < c.map.labels.rows; ++y) {
    for (int x = 0; x < c.map.labels.cols; ++x) {
      const double u = 1.0 * x / c.map.labels.cols, v = 1.0 * y / c.map.labels.rows;
      const bool unseen = u > 0.45 && u < 0.6 && v > 0.7 && v < 0.9;
      c.alignment_sigma_mm(y, x) =
          unseen ? std::numeric_limits<float>::quiet_NaN() : static_cast<float>(0.06 + 0.2 * u * v);
    }
  }
}

void set_words(SheetContent& c) {
  c.title = "Lock in snow, second state";
  c.version = "0.1.0";
  c.proof_file = "lock-state2.tif";
  c.drawing_file = "lock-drawing3.tif";
  c.alignment = {false, 1.42, 1.0021, 1.0087, 0.07, 0.16, 0.94, true, 1.0021, 1.0087, {}};
  c.map.inking = {0.031, 1.04, 0.018, 0.42};
  c.plan.batch = "ferric-november";
  c.plan.bath = Temperature::celsius(20);
  c.plan.outlook = {0.214, 0.041};
  c.plan.notes = {"fresh ground: the new grain is assumed to fall at random over the old tones"};
  c.plan.cautions = {
      "Ferric chloride attacks metals and harms eyes: goggles, gloves, apron; never zinc or "
      "aluminium in a copper tank.",
      "Rosin dust harms lungs and can explode: dust mask, sealed box, no flame or spark near.",
      "Read the product's safety data sheet; spent liquor goes by local rule, not to the drain."};
}

SheetContent blank(const ContentOptions& o) {
  SheetContent c;
  c.plate = o.plate;
  c.map.grid = {o.plate, o.grid_px_per_mm};
  c.map.labels = cv::Mat1w::zeros(static_cast<int>(std::ceil(o.plate.height * o.grid_px_per_mm)),
                                  static_cast<int>(std::ceil(o.plate.width * o.grid_px_per_mm)));
  c.batch = made_batch();
  set_words(c);
  return c;
}

SheetContent finished(SheetContent c,
                      const std::vector<SceneShape>& shapes,
                      const ContentOptions& o) {
  for (std::size_t i = 0; i < shapes.size(); ++i) {
    const int id = static_cast<int>(i) + 1;
    c.plan.regions.push_back(planned(shapes[i], id, c));
    c.map.regions.push_back(c.plan.regions.back().region);
    if (shapes[i].action == Action::burnish || shapes[i].action == Action::scrape)
      c.plan.lower_first.push_back(id);
  }
  set_stages(c);
  // What is never bitten is stopped out before the first dip.
  for (const auto& r : c.plan.regions) {
    if (r.stage != 0 || c.plan.stages.empty()) continue;
    auto& first = c.plan.stages.front().stop_out_before;
    if (std::find(first.begin(), first.end(), r.region.id) == first.end())
      first.push_back(r.region.id);
  }
  set_after_stages(c);
  set_tones(c);
  set_gap_shares(c);
  set_pictures(c, o);
  return c;
}

SheetContent drawn(const std::vector<SceneShape>& shapes, const ContentOptions& o) {
  SheetContent c = blank(o);
  for (std::size_t i = 0; i < shapes.size(); ++i) {
    // 4 more bits than whole pixels; a pixel's centre is at (i + 0.5) / px_per_mm.
    std::vector<cv::Point> points;
    for (const auto& p : shapes[i].outline) {
      points.emplace_back(cvRound((p.x / 150 * o.plate.width * o.grid_px_per_mm - 0.5) * 16),
                          cvRound((p.y / 110 * o.plate.height * o.grid_px_per_mm - 0.5) * 16));
    }
    cv::Mat labels = c.map.labels;
    cv::fillPoly(labels,
                 std::vector<std::vector<cv::Point>>{points},
                 cv::Scalar(static_cast<double>(i) + 1),
                 cv::LINE_8,
                 4);
  }
  return finished(std::move(c), shapes, o);
}

}  // namespace

SheetContent made_content(const ContentOptions& o) { return drawn(lock_scene(), o); }

SheetContent made_one_region(const ContentOptions& o) { return drawn(one_l(), o); }

SheetContent made_no_work(const ContentOptions& o) {
  SheetContent c = finished(blank(o), {}, o);
  c.plan.outlook = {0.012, 0.012};
  return c;
}

SheetContent made_large_plate() {
  ContentOptions o;
  o.plate = {600, 400};
  o.grid_px_per_mm = 2;
  o.picture_px_per_mm = 1.5;
  return made_content(o);
}

SheetContent made_many_regions(int count, const ContentOptions& o) {
  SheetContent c = blank(o);
  const double side = std::sqrt(o.plate.width * o.plate.height / count);
  const int across = std::max(1, static_cast<int>(std::lround(o.plate.width / side)));
  const int down = (count + across - 1) / across;
  std::vector<cv::Point2d> seeds;
  for (int i = 0; i < count; ++i) {
    const int gx = i % across, gy = i / across;
    seeds.emplace_back((gx + 0.5 + 0.3 * noise_at(gx, gy, o.seed)) * o.plate.width / across,
                       (gy + 0.5 + 0.3 * noise_at(gx, gy, o.seed + 9)) * o.plate.height / down);
  }
  for (int y = 0; y < c.map.labels.rows; ++y) {
    for (int x = 0; x < c.map.labels.cols; ++x) {
      const cv::Point2d here((x + 0.5) / o.grid_px_per_mm, (y + 0.5) / o.grid_px_per_mm);
      std::size_t nearest = 0;
      for (std::size_t i = 1; i < seeds.size(); ++i)
        if (cv::norm(seeds[i] - here) < cv::norm(seeds[nearest] - here)) nearest = i;
      c.map.labels(y, x) = static_cast<std::uint16_t>(nearest + 1);
    }
  }
  std::vector<SceneShape> shapes;
  for (int i = 0; i < count; ++i) {
    const double target = 0.2 + 0.95 * (0.5 + 0.5 * noise_at(i, 3, o.seed));
    SceneShape s{{}, Action::bite, 0.12, target};
    if (i % 11 == 10) s = {{}, Action::burnish, 0.5, 0.38};
    if (i % 17 == 16) s = {{}, Action::scrape, 0.9, 0.3};
    shapes.push_back(s);
  }
  return finished(std::move(c), shapes, o);
}

SheetContent without_stages(SheetContent c) {
  c.plan.stages.clear();
  c.plan.stage_table.clear();
  c.plan.handling.reset();
  c.plan.control_strip.clear();
  for (auto& r : c.plan.regions) {
    r.after_stage.clear();
    r.stage = 0;
  }
  return c;
}

SheetContent without_batch(SheetContent c) {
  c = without_stages(std::move(c));
  c.batch.reset();
  c.plan.batch.clear();
  c.plan.bath.reset();
  for (auto& r : c.plan.regions) {
    r.minutes.reset();
    r.guide.reset();
  }
  return c;
}

wedge::Batch made_batch() {
  wedge::ToneCurve::Table table;
  for (int i = 0; i <= 120; ++i) {
    const double t = 24.0 * i * i / (120.0 * 120.0);
    table.minutes.push_back(t);
    table.density.push_back(curve_at(t));
    table.sd.push_back(0.008 + 0.012 * curve_at(t));
  }
  wedge::ToneCurve curve(wedge::CurveKind::saturating,
                         table,
                         {{"d0", d0}, {"d1", d1}, {"tau_minutes", tau}, {"beta", beta}},
                         BiteTime::minutes(18));
  wedge::Batch b{"ferric-november",
                 "ferric chloride",
                 "40 Be",
                 "copper",
                 "rosin",
                 20.0,
                 "2026-11-20",
                 2,
                 {},
                 std::move(curve),
                 Density::of(solid),
                 0.018,
                 {},
                 {},
                 0.86,
                 0.02,
                 {}};
  const double times[] = {0, 0.25, 0.5, 1, 2, 4, 8, 16, 24};
  for (int i = 0; i < 9; ++i) {
    b.steps.push_back({BiteTime::minutes(times[i]),
                       Density::of(curve_at(times[i]) + 0.012 * noise_at(i, 1, 5)),
                       0.012,
                       0.014,
                       0.12,
                       9000});
  }
  return b;
}

scan::ScannerCurve made_scanner() {
  scan::ScannerCurve s;
  for (int i = 11; i >= 0; --i) {
    const double d = 0.05 + 0.16 * i, r = std::pow(10, -d);
    const double code = std::pow(0.004 + 0.996 * r, 1 / 2.2);
    s.code.push_back(code);
    s.reflectance.push_back(r);
    s.patches.push_back({Density::of(d), code, 0.006 * noise_at(i, 2, 11)});
  }
  s.residual_sd = 0.004;
  s.flare = 0.004;
  return s;
}

scan::ScannerCurve made_colour_scanner() {
  scan::ScannerCurve s = made_scanner();
  s.scan_channels = 3;
  for (const double bend : {1.25, 1.0, 0.8}) {
    scan::CodeCurve c = s;
    for (double& code : c.code) code = std::pow(code, bend);
    for (std::size_t i = 0; i < c.patches.size(); ++i) {
      c.patches[i].code = std::pow(c.patches[i].code, bend);
      c.patches[i].residual += 0.002 * (bend - 1) / 0.25;
    }
    s.channels.push_back(std::move(c));
  }
  return s;
}

}  // namespace rebite::maker
