#include "tone/edit_map.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <opencv2/imgproc.hpp>
#include <set>

#include "tone/place.h"

namespace rebite::tone {
namespace {

Region* find(RegionMap& map, int id) {
  for (auto& r : map.regions) {
    if (r.id == id) return &r;
  }
  return nullptr;
}

std::unexpected<Problem> no_region(int id) {
  return refuse(ProblemKind::data,
                fmt::format("there is no region {} in this plan", id),
                "Choose a region on the picture.");
}

cv::Rect extent(const cv::Mat1w& labels, int id) {
  cv::Rect out;
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      if (labels(i, j) == id) out |= cv::Rect(j, i, 1, 1);
    }
  }
  return out;
}

struct Means {
  double pixels = 0, now = 0, target = 0, seen = 0;  // sums of reflectance
  double density_now() const { return -std::log10(now / seen); }
  double density_target() const { return -std::log10(target / seen); }
};

std::map<int, Means> means_of(const RegionMap& map, const std::set<int>& ids) {
  std::map<int, Means> out;
  for (int i = 0; i < map.labels.rows; ++i) {
    for (int j = 0; j < map.labels.cols; ++j) {
      const int id = map.labels(i, j);
      if (!ids.contains(id)) continue;
      Means& m = out[id];
      m.pixels += 1;
      const double now = static_cast<double>(map.now(i, j));
      const double target = static_cast<double>(map.target(i, j));
      if (!std::isfinite(now) || !std::isfinite(target)) continue;
      m.seen += 1;
      m.now += std::pow(10.0, -now);
      m.target += std::pow(10.0, -target);
    }
  }
  return out;
}

void place(const RegionMap& map, Region& r) {
  const cv::Rect box = extent(map.labels, r.id);
  place(cv::Mat1b(map.labels(box) == r.id), box, map.grid.px_per_mm, r);
}

void renew_neighbours(RegionMap& map) {
  std::map<int, std::set<int>> touching;
  const auto touch = [&](int a, int b) {
    if (a == 0 || b == 0 || a == b) return;
    touching[a].insert(b);
    touching[b].insert(a);
  };
  const cv::Mat1w& labels = map.labels;
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      if (j + 1 < labels.cols) touch(labels(i, j), labels(i, j + 1));
      if (i + 1 < labels.rows) touch(labels(i, j), labels(i + 1, j));
    }
  }
  for (auto& r : map.regions) r.neighbours.assign(touching[r.id].begin(), touching[r.id].end());
}

// A piece of `whole` as the maps tell it apart from the whole.
Region piece_of(const Region& whole, const Means& of_whole, const Means& of_piece, double px) {
  Region r = whole;
  r.area_mm2 = of_piece.pixels / (px * px);
  if (of_whole.seen > 0 && of_piece.seen > 0) {
    r.now.value = whole.now.value + ToneGap::of(of_piece.density_now() - of_whole.density_now());
    r.target.value =
        whole.target.value + ToneGap::of(of_piece.density_target() - of_whole.density_target());
  }
  r.gap = r.target.value - r.now.value;
  const double wider = std::clamp(std::sqrt(whole.area_mm2 / std::max(1e-9, r.area_mm2)), 1.0, 2.0);
  r.now.sd *= wider;
  r.target.sd *= wider;
  r.gap_sd *= wider;
  return r;
}

std::vector<cv::Point> pixels_of(const RegionMap& map, const std::vector<PlateMm>& line) {
  std::vector<cv::Point> out;
  for (const PlateMm& p : line) {
    out.emplace_back(static_cast<int>(std::floor(p.x * map.grid.px_per_mm)),
                     static_cast<int>(std::floor(p.y * map.grid.px_per_mm)));
  }
  return out;
}

Result<void> line_is_sound(const std::vector<PlateMm>& line, const SizeMm& plate) {
  const double far = 10 * std::max(plate.width, plate.height);
  for (const PlateMm& p : line) {
    if (std::fabs(p.x) <= far && std::fabs(p.y) <= far) continue;
    return refuse(ProblemKind::data,
                  "the drawn line has a point that is no place on or near the plate",
                  "Draw it again over the picture.");
  }
  return {};
}

cv::Mat1b drawn(const RegionMap& map, const std::vector<PlateMm>& line, int thickness) {
  cv::Mat1b mask(map.labels.size(), static_cast<uchar>(0));
  const auto points = pixels_of(map, line);
  if (points.size() == 1) {
    cv::circle(mask, points.front(), thickness / 2, cv::Scalar(255), cv::FILLED);
  } else {
    cv::polylines(mask, points, false, cv::Scalar(255), thickness);
  }
  return mask;
}

int highest_id(const RegionMap& map) {
  int highest = 0;
  for (const auto& r : map.regions) highest = std::max(highest, r.id);
  return highest;
}

}  // namespace

Result<void> join_regions(RegionMap& map, int a, int b) {
  if (a > b) std::swap(a, b);
  Region* into = find(map, a);
  const Region* from = find(map, b);
  if (!into) return no_region(a);
  if (!from || a == b) return no_region(b);
  if (std::find(into->neighbours.begin(), into->neighbours.end(), b) == into->neighbours.end()) {
    return refuse(ProblemKind::data,
                  fmt::format("regions {} and {} do not touch", a, b),
                  "Join neighbours, one pair after the other.");
  }
  Region joined = into->area_mm2 >= from->area_mm2 ? *into : *from;
  joined.id = a;
  const double area = into->area_mm2 + from->area_mm2;
  const double u = into->area_mm2 / area, v = from->area_mm2 / area;
  const auto mean = [&](Density x, Density y) {
    return Density::of_reflectance(u * x.reflectance() + v * y.reflectance());
  };
  const auto sd = [&](double x, double y) { return u * x + v * y; };  // errors of wiping are shared
  joined.area_mm2 = area;
  joined.now = {mean(into->now.value, from->now.value), sd(into->now.sd, from->now.sd)};
  joined.target = {mean(into->target.value, from->target.value),
                   sd(into->target.sd, from->target.sd)};
  joined.gap = joined.target.value - joined.now.value;
  joined.gap_sd = sd(into->gap_sd, from->gap_sd);
  joined.offset_sd = sd(into->offset_sd, from->offset_sd);
  joined.unseen_share = sd(into->unseen_share, from->unseen_share);
  joined.notes = into->notes;
  for (const auto& n : from->notes) {
    if (std::find(joined.notes.begin(), joined.notes.end(), n) == joined.notes.end()) {
      joined.notes.push_back(n);
    }
  }
  joined.run.reset();
  joined.notes.push_back(fmt::format("Joined by hand from {} and {}.", a, b));
  map.labels.setTo(a, map.labels == b);
  *into = std::move(joined);
  place(map, *into);
  std::erase_if(map.regions, [b](const Region& r) { return r.id == b; });
  renew_neighbours(map);
  return {};
}

namespace {

// The line with both ends drawn on by `mm`, each the way the hand was going over its last
// millimetre.
std::vector<PlateMm> lengthened(const std::vector<PlateMm>& line, double mm) {
  const auto beyond = [&](auto from, auto to) {
    const PlateMm end = *from;
    for (auto p = from; p != to; ++p) {
      const double away = std::hypot(end.x - p->x, end.y - p->y);
      if (away >= 1) {
        return PlateMm{end.x + mm * (end.x - p->x) / away, end.y + mm * (end.y - p->y) / away};
      }
    }
    return end;
  };
  std::vector<PlateMm> out{beyond(line.begin(), line.end())};
  out.insert(out.end(), line.begin(), line.end());
  out.push_back(beyond(line.rbegin(), line.rend()));
  return out;
}

// A region along a line: `after` numbers what hangs together, `fresh` those numbers that are to be
// regions of their own (empty: the line does not go through).
struct CutPieces {
  cv::Mat1i after;
  std::vector<int> fresh;
};

CutPieces pieces_of(const RegionMap& map,
                    int id,
                    const std::vector<PlateMm>& line,
                    double brush_mm) {
  CutPieces out;
  const cv::Mat1b cut =
      line.size() < 2 ? cv::Mat1b(map.labels.size(), uchar{0}) : drawn(map, line, 2);
  cv::Mat1b mask, open;
  cv::compare(map.labels, id, mask, cv::CMP_EQ);
  cv::Mat1i before;
  cv::connectedComponents(mask, before, 4);
  cv::bitwise_and(mask, ~cut, open);
  cv::Mat stats, centroids;
  const int n = cv::connectedComponentsWithStats(open, out.after, stats, centroids, 4);
  const double least = 0.25 * brush_mm * brush_mm * map.grid.px_per_mm * map.grid.px_per_mm;
  // Which of the old pieces each new one was part of; a cut has made two large ones of one.
  std::vector<int> parent(static_cast<std::size_t>(n), 0), area(static_cast<std::size_t>(n), 0);
  for (int i = 0; i < out.after.rows; ++i) {
    for (int j = 0; j < out.after.cols; ++j) {
      if (out.after(i, j) > 0) parent[static_cast<std::size_t>(out.after(i, j))] = before(i, j);
    }
  }
  std::map<int, std::vector<int>> children;
  for (int k = 1; k < n; ++k) {
    area[static_cast<std::size_t>(k)] = stats.at<int>(k, cv::CC_STAT_AREA);
    if (area[static_cast<std::size_t>(k)] >= least) {
      children[parent[static_cast<std::size_t>(k)]].push_back(k);
    }
  }
  for (auto& [old, list] : children) {
    std::sort(list.begin(), list.end(), [&](int x, int y) {
      return area[static_cast<std::size_t>(x)] > area[static_cast<std::size_t>(y)];
    });
    out.fresh.insert(out.fresh.end(), list.begin() + 1, list.end());
  }
  std::sort(out.fresh.begin(), out.fresh.end());
  return out;
}

}  // namespace

Result<void> cut_region(RegionMap& map, int id, const std::vector<PlateMm>& line, double brush_mm) {
  const Region* found = find(map, id);
  if (!found) return no_region(id);
  if (auto ok = line_is_sound(line, map.grid.plate); !ok) return ok;
  const Region whole = *found;
  CutPieces cut = pieces_of(map, id, line, brush_mm);
  // A hand stops short of the far edge, and nobody can begin outside a region that lies along the
  // edge of the plate.
  if (cut.fresh.empty() && line.size() >= 2) {
    cut = pieces_of(map, id, lengthened(line, brush_mm), brush_mm);
  }
  const auto& [after, pieces] = cut;
  if (pieces.empty()) {
    return refuse(ProblemKind::data,
                  fmt::format("the line does not cut region {} in two", id),
                  "Draw it from one side of the region right through to the other.");
  }
  const Means of_whole = means_of(map, {id})[id];
  int next = highest_id(map);
  std::map<int, int> id_of;
  std::set<int> touched{id};
  for (const int k : pieces) {
    id_of[k] = ++next;
    touched.insert(next);
  }
  if (next > 65535) {
    return refuse(ProblemKind::data, "there are too many regions", "Undo some cuts.");
  }
  for (int i = 0; i < after.rows; ++i) {
    for (int j = 0; j < after.cols; ++j) {
      const auto own = id_of.find(after(i, j));
      if (own != id_of.end()) map.labels(i, j) = static_cast<std::uint16_t>(own->second);
    }
  }
  // The line's own pixels stay with the piece that keeps the number: it is two pixels wide.
  const auto means = means_of(map, touched);
  for (const auto& [new_id, m] : means) {
    Region r = piece_of(whole, of_whole, m, map.grid.px_per_mm);
    r.id = new_id;
    r.run.reset();
    r.notes.push_back(fmt::format("Cut by hand out of region {}.", id));
    place(map, r);
    if (new_id == id) {
      *find(map, id) = std::move(r);
    } else {
      map.regions.push_back(std::move(r));
    }
  }
  renew_neighbours(map);
  return {};
}

Result<void> leave_alone(RegionMap& map, const std::vector<PlateMm>& line, double radius_mm) {
  if (auto ok = line_is_sound(line, map.grid.plate); !ok) return ok;
  if (line.empty() || !(radius_mm >= 0.2 && radius_mm <= 100)) {
    return refuse(ProblemKind::data,
                  fmt::format("a brush of {:g} mm is outside 0.2 to 100 mm", radius_mm),
                  "Choose another brush.");
  }
  const cv::Mat1b mask = drawn(map, line, std::max(1, cvRound(2 * radius_mm * map.grid.px_per_mm)));
  std::set<int> hit;
  for (int i = 0; i < mask.rows; ++i) {
    for (int j = 0; j < mask.cols; ++j) {
      if (mask(i, j) && map.labels(i, j)) hit.insert(map.labels(i, j));
    }
  }
  if (hit.empty()) {
    return refuse(ProblemKind::data,
                  "there is no region under the brush",
                  "Paint over a region that is to be left alone.");
  }
  const auto before = means_of(map, hit);
  map.labels.setTo(0, mask);
  const auto after = means_of(map, hit);
  for (const int id : hit) {
    const auto left = after.find(id);
    if (left == after.end()) {
      std::erase_if(map.regions, [id](const Region& r) { return r.id == id; });
      continue;
    }
    Region& r = *find(map, id);
    r = piece_of(r, before.at(id), left->second, map.grid.px_per_mm);
    r.run.reset();
    r.notes.push_back("A part of it was painted 'leave alone' by hand.");
    place(map, r);
  }
  renew_neighbours(map);
  return {};
}

}  // namespace rebite::tone
