#include "tone/region_map.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <numeric>
#include <opencv2/imgproc.hpp>
#include <optional>

#include "tone/at.h"
#include "tone/borders.h"
#include "tone/cells.h"
#include "tone/cut.h"
#include "tone/edges.h"
#include "tone/impressions.h"
#include "tone/inking.h"
#include "tone/lines.h"
#include "tone/measure.h"
#include "tone/narrow.h"
#include "tone/numbering.h"
#include "tone/partition.h"
#include "tone/passages.h"
#include "tone/tasks.h"
#include "tone/tidy_labels.h"

namespace rebite::tone {
namespace {

constexpr double kUnworkedGap = 0.05;  // D: no more than an eye may miss (units/density.h)

struct Masks {
  cv::Mat1b usable;  // seen by the alignment
  cv::Mat1b free;    // and not to be left alone
  double seen = 0;  // share of the plate
};

Masks masks_of(const align::PlatePair& pair, const cv::Mat1b& leave) {
  Masks m;
  m.usable.create(pair.proof.size());
  m.free.create(pair.proof.size());
  std::vector<int> seen(at(pair.proof.rows), 0);  // by rows
  for_rows(pair.proof.rows, [&](int i) {
    for (int j = 0; j < pair.proof.cols; ++j) {
      const bool known = pair.tile_class.empty() ||
                         pair.tile_class(i, j) != static_cast<uchar>(align::TileClass::unseen);
      const bool ok = known && std::isfinite(pair.proof(i, j)) && std::isfinite(pair.drawing(i, j));
      m.usable(i, j) = ok ? 255 : 0;
      m.free(i, j) = ok && (leave.empty() || !leave(i, j)) ? 255 : 0;
      seen[at(i)] += ok ? 1 : 0;
    }
  });
  m.seen = std::accumulate(seen.begin(), seen.end(), 0.0) / static_cast<double>(pair.proof.total());
  return m;
}

// Which regions show the inking. No edge tells where a passage ends, and its faint end once taught
// that all of it is inking; so it is asked only where too little else looks unworked.
std::vector<PartRole> roles_of(const Passages& passages, const cv::Mat1i& regions) {
  constexpr double enough = 0.22;  // of the plate: below, the offset is in doubt (inking.h)
  std::vector<double> cells(passages.kinds.size(), 0.0);
  for (const int k : regions) {
    if (k >= 0) cells[at(k)] += 1;
  }
  std::vector<PartRole> roles(passages.kinds.size(), PartRole::other);
  double unworked = 0;
  for (std::size_t k = 0; k < roles.size(); ++k) {
    const bool still = passages.kinds[k] == RegionKind::still;
    const bool even = still || passages.kinds[k] == RegionKind::area;
    if (even && passages.gap[k] > 0) roles[k] = PartRole::washed;
    // What is held only because its gap is in doubt must not teach that there is none.
    if (still && std::abs(passages.gap[k]) < kUnworkedGap) roles[k] = PartRole::unworked;
    if (roles[k] == PartRole::unworked && !passages.runs[k]) unworked += cells[k];
  }
  if (unworked < enough * static_cast<double>(regions.total())) return roles;
  for (std::size_t k = 0; k < roles.size(); ++k) {
    if (!passages.runs[k]) continue;
    roles[k] = roles[k] == PartRole::unworked ? PartRole::faint : PartRole::other;
  }
  return roles;
}

// The second fit: what was found still shows the inking, an even wash shows it but for its own
// density. Strokes and the bevel show nothing.
InkingFit inking_by_role(const Cells& cells,
                         const cv::Mat1f& raw,
                         const cv::Mat1b& left_out,
                         const Cut& parts,
                         const Passages& passages) {
  Cells seen = cells;
  seen.drawing = raw;
  seen.usable = cells.usable.clone();
  seen.usable.setTo(0, left_out);
  cv::Mat1i regions = parts.labels.clone();
  relabel(regions, passages.region_of);
  return refit_inking(seen, regions, roles_of(passages, regions));
}

void add_region_notes(RegionMap& map) {
  struct Place {
    float target, now;
  };
  std::map<int, std::vector<Place>> tones;
  for (const Region& r : map.regions) {
    if (r.kind == RegionKind::soft) tones[r.id] = {};
  }
  for (int i = 0; i < map.labels.rows && !tones.empty(); i += 2) {
    for (int j = 0; j < map.labels.cols; j += 2) {
      const auto t = tones.find(map.labels(i, j));
      if (t != tones.end() && std::isfinite(map.target(i, j)) && std::isfinite(map.now(i, j)))
        t->second.push_back({map.target(i, j), map.now(i, j)});
    }
  }
  for (Region& r : map.regions) {
    if (r.unseen_share > 0.05) {
      r.notes.push_back(fmt::format(
          "{:.0f} % of this place was not seen by the alignment; nothing is advised there.",
          100 * r.unseen_share));
    }
    if (r.kind != RegionKind::soft || tones[r.id].size() < 10) continue;
    std::vector<Place>& v = tones[r.id];
    std::sort(v.begin(), v.end(), [](const Place& a, const Place& b) {
      return a.target != b.target ? a.target < b.target : a.now < b.now;
    });
    double now = 0;
    const std::size_t tenth = v.size() / 10;
    for (std::size_t k = v.size() - tenth; k < v.size(); ++k) now += static_cast<double>(v[k].now);
    r.run = ToneRun{Density::of(v[v.size() / 20].target),
                    Density::of(v[v.size() - 1 - v.size() / 20].target),
                    Density::of(now / static_cast<double>(tenth))};
    r.notes.push_back(
        fmt::format("A soft passage: the tone wanted runs from {:.2f} to {:.2f} D; no stop-out "
                    "edge makes it.",
                    r.run->light.value(),
                    r.run->dark.value()));
  }
}

std::unexpected<Problem> of_another_state(std::size_t number, const MeanImpression::Unlike& u) {
  return refuse(
      ProblemKind::data,
      fmt::format("further impression {} (in the order given) is not of the proof's state: after "
                  "inking and wiping are taken out it still differs by up to {:.2f} D over {:.0f} "
                  "% of the plate, and prints of one state do so over {:.0f} % at most",
                  number,
                  u.most,
                  100 * u.share,
                  100 * most_unlike),
      "Give as --impression only prints that were pulled from the plate as it is now, unpainted; "
      "leave this one out.");
}

void add_impression_notes(const MeanImpression& mean, Notes& notes) {
  notes.push_back(fmt::format(
      "{} impressions of the proof's state were averaged; beyond their smooth difference one print "
      "strays by {:.3f} D (1 sd).",
      mean.count,
      mean.wiping_sd));
  for (std::size_t k = 0; k < mean.unlike.size(); ++k) {
    const MeanImpression::Unlike& u = mean.unlike[k];
    if (u.share < told_unlike) continue;
    notes.push_back(fmt::format(
        "Further impression {} (in the order given) differs from the proof by up to {:.2f} D over "
        "{:.1f} % of the plate, more than wiping does, and was not averaged in there. If it was "
        "pulled from another state, leave it out: part of that may have been taken for inking.",
        k + 1,
        u.most,
        100 * u.share));
  }
}

}  // namespace

Result<RegionMap> find_regions(const align::PlatePair& pair,
                               const RegionOptions& options,
                               const Progress& progress) {
  CV_Assert(pair.proof.size() == pair.drawing.size());
  CV_Assert(options.leave.empty() || options.leave.size() == pair.proof.size());
  CV_Assert(options.previous_labels.empty() || options.previous_labels.size() == pair.proof.size());
  RegionMap out;
  out.grid = pair.grid;
  const double px_per_mm = pair.grid.px_per_mm;
  const Masks masks = masks_of(pair, options.leave);
  if (masks.seen < 0.02) {
    return refuse(ProblemKind::data,
                  fmt::format("Only {:.1f} % of the plate was seen on both the proof and the "
                              "drawing; at least 2 % is needed.",
                              100 * masks.seen),
                  "Scan both sheets whole, with the plate mark, and try again.");
  }
  // A place to be left alone still shows the inking, and where the areas' borders run: it is taken
  // out of the regions only, so that masking it changes nothing beside it.
  progress.at(0, "taking the inking out");
  const MeanImpression mean = mean_impression(
      pair.proof, masks.free, pair.sigma_mm, px_per_mm, options.further_impressions);
  for (std::size_t k = 0; k < mean.unlike.size(); ++k) {
    const auto& u = mean.unlike[k];
    if (u.share > most_unlike) return of_another_state(k + 1, u);
  }
  const auto at_least_spread = [&](InkingFit& ink) {
    double& noise = ink.inking.noise_density;
    noise = std::max(noise, mean.wiping_sd * std::sqrt(1 + 1.0 / mean.count));
  };
  Cells cells = make_cells(mean.proof, pair.drawing, masks.usable, pair.sigma_mm, px_per_mm);
  const cv::Mat1f raw_cells = cells.drawing.clone();
  const cv::Mat1b rim = rim_of(cells);
  const Cut coarse = coarse_cut(cells, rim);
  Cut joined{coarse.labels.clone(), coarse.count};
  joined.apply(join_without_edge(coarse.labels, coarse.count, cells, rim));
  InkingFit ink = fit_inking(cells, joined.labels, joined.count);
  const std::optional<InkingFit> alone = inking_alone(cells, ink, coarse.labels, rim);
  if (alone) ink = *alone;
  at_least_spread(ink);
  take_inking_off(cells.drawing, ink.field, 1);

  progress.at(0.24, "finding areas");
  Cut around{coarse.labels.clone(), coarse.count};
  around.count = merge_narrow(
      around.labels, around.count, cells, rim, options.brush_mm, JoinedNarrow::go);
  const DrawnLines lines = find_lines(cells, around.labels, around.count, rim, options.brush_mm);
  cv::Mat1b left_out;
  cv::dilate(lines.mask, left_out, cv::Mat1b::ones(3, 3));
  left_out |= rim;
  const Cut parts = fine_cut(cells, left_out, options.brush_mm);
  Passages passages = judge_passages(parts, cells, left_out, ink, options.brush_mm);

  progress.at(0.73, "taking the inking out again");
  if (!alone) ink = inking_by_role(cells, raw_cells, left_out, parts, passages);
  at_least_spread(ink);
  raw_cells.copyTo(cells.drawing);
  take_inking_off(cells.drawing, ink.field, 1);
  passages = judge_passages(parts, cells, left_out, ink, options.brush_mm);
  cv::Mat1f drawing = pair.drawing.clone();
  take_inking_off(drawing, ink.field, cells.factor);
  out.inking = ink.inking;
  out.notes = ink.notes;

  progress.at(0.83, "drawing the borders");
  BorderOptions last;
  last.band_mm = 0.5;
  cv::Mat1i labels =
      fine_labels(parts.labels, parts.count, cells, left_out, last, pair.proof.size());
  relabel(labels, passages.region_of);
  const int all_kinds = static_cast<int>(passages.kinds.size());
  std::vector<int> to_region(at(all_kinds), -1);
  std::vector<RegionKind> kind;
  for (int k = 0; k < all_kinds; ++k) {
    to_region[at(k)] = all_kinds;  // everything still is one label until the specks are gone
    if (passages.kinds[at(k)] == RegionKind::still) continue;
    to_region[at(k)] = static_cast<int>(kind.size());
    kind.push_back(passages.kinds[at(k)]);
  }
  relabel(labels, to_region);
  remove_specks(labels, static_cast<int>(0.4 * std::pow(options.brush_mm * px_per_mm, 2)));
  const cv::Mat1i strokes = fine_lines(lines, cells.factor, labels.size());
  for_rows(labels.rows, [&](int i) {
    for (int j = 0; j < labels.cols; ++j) {
      if (labels(i, j) == all_kinds) labels(i, j) = -1;
      if (strokes(i, j) >= 0) labels(i, j) = static_cast<int>(kind.size()) + strokes(i, j);
      if (!masks.free(i, j)) labels(i, j) = -1;
    }
  });
  drop_slivers_beside(
      labels, options.leave, static_cast<int>(kind.size()), options.brush_mm * px_per_mm);
  kind.insert(kind.end(), at(lines.count), RegionKind::line);
  drop_empty(labels, kind);
  progress.at(0.905, "measuring");
  MeasureInput in;
  in.proof = mean.proof;
  in.drawing = drawing;
  in.usable = masks.free.clone();
  for_rows(in.usable.rows, [&](int i) {
    for (int j = 0; j < in.usable.cols; ++j) {
      if (rim(i / cells.factor, j / cells.factor)) in.usable(i, j) = 0;
    }
  });
  in.unseen = ~masks.usable;
  in.labels = labels;
  in.kind = kind;
  in.px_per_mm = px_per_mm;
  in.cells = &cells;
  in.inking = &ink;
  in.doubt = options.doubt;
  std::vector<Region> regions = measure_regions(in);
  const std::vector<int> number =
      number_regions(labels, static_cast<int>(kind.size()), options.previous_labels);
  for (std::size_t k = 0; k < regions.size(); ++k) {
    regions[k].id = number[k];
    for (int& n : regions[k].neighbours) n = number[at(n)];
    std::sort(regions[k].neighbours.begin(), regions[k].neighbours.end());
  }
  out.labels.create(labels.size());
  for_rows(labels.rows, [&](int i) {
    for (int j = 0; j < labels.cols; ++j) {
      out.labels(i, j) =
          labels(i, j) < 0 ? static_cast<ushort>(0) : static_cast<ushort>(number[at(labels(i, j))]);
    }
  });
  std::sort(
      regions.begin(), regions.end(), [](const Region& a, const Region& b) { return a.id < b.id; });
  out.regions = std::move(regions);
  at_once({[&] {
             out.now = tone_map(cells.proof, parts.labels, parts.count, cells, pair.proof.size());
           },
           [&] {
             out.target =
                 tone_map(cells.drawing, parts.labels, parts.count, cells, pair.proof.size());
           }});
  out.gap = out.target - out.now;
  add_region_notes(out);
  if (mean.count > 1) {
    add_impression_notes(mean, out.notes);
  }
  if (!options.leave.empty() &&
      cv::countNonZero(options.leave) > 0.995 * static_cast<double>(options.leave.total())) {
    out.notes.push_back(
        "The mask leaves the whole plate alone: black is what is not to be touched. If it was meant "
        "the other way round, turn black and white over.");
  }
  if (masks.seen < 0.995) {
    out.notes.push_back(fmt::format(
        "{:.1f} % of the plate was not seen by the alignment; nothing is advised there.",
        100 * (1 - masks.seen)));
  }
  progress.at(1, "regions found");
  return out;
}

}  // namespace rebite::tone
