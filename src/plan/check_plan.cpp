#include "plan/check_plan.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <set>

#include "plan/lower.h"

namespace rebite::plan {
namespace {

using Broken = std::vector<std::string>;

// D. Of two dips that a kept ground hardly feels the later one may come out lighter by the last digit.
constexpr double rounding = 1e-9;

bool finite(BiteTime t) { return std::isfinite(t.in_minutes()); }
bool finite(const DensityEstimate& d) {
  return std::isfinite(d.value.value()) && std::isfinite(d.sd) && d.sd >= 0;
}
std::set<int> as_set(const std::vector<int>& ids) { return {ids.begin(), ids.end()}; }

void check_region(const PlannedRegion& p, Ground ground, std::size_t stages, Broken& broken) {
  const int id = p.region.id;
  const bool bites = p.action == Action::bite || p.action == Action::beyond;
  if (p.minutes && !bites) broken.push_back(fmt::format("region {}: minutes without a bite", id));
  if (p.minutes) {
    const Minutes& m = *p.minutes;
    if (!finite(m.low) || !finite(m.best) || !finite(m.high) || !finite(m.advised)) {
      broken.push_back(fmt::format("region {}: a time that is no number", id));
    }
    const BiteTime none = BiteTime::minutes(0);
    if (m.low < none || m.advised < none) broken.push_back(fmt::format("region {}: time < 0", id));
    if (m.low > m.best || m.best > m.high || m.advised > m.best) {
      broken.push_back(fmt::format("region {}: times out of order", id));
    }
  }
  if (p.stage < 0 || static_cast<std::size_t>(p.stage) > stages || (p.stage > 0 && !p.minutes)) {
    broken.push_back(fmt::format("region {}: stage {} does not exist for it", id, p.stage));
  }
  if (p.after_stage.size() != stages) {
    broken.push_back(fmt::format("region {}: not one tone per stage", id));
  }
  for (std::size_t k = 1; k < p.after_stage.size(); ++k) {
    if ((p.after_stage[k - 1].value - p.after_stage[k].value).value() > rounding) {
      broken.push_back(fmt::format("region {}: lighter after a further dip", id));
    }
  }
  if (!p.after_stage.empty() && !made_after_the_bath(p, ground) &&
      p.after_stage.back().value != p.predicted.value) {
    broken.push_back(fmt::format("region {}: the last dip is not what is predicted", id));
  }
  if (!finite(p.predicted)) broken.push_back(fmt::format("region {}: no prediction", id));
}

void check_times(const BitePlan& plan, Broken& broken) {
  BiteTime sum = BiteTime::minutes(0);
  int number = 0;
  for (const Stage& s : plan.stages) {
    sum = sum + s.dip;
    if (s.number != ++number) broken.push_back("stages are not numbered in order");
    if (!(s.dip > BiteTime::minutes(0))) broken.push_back(fmt::format("stage {}: no dip", number));
    if (std::fabs((sum - s.total).in_seconds()) > 1e-6) {
      broken.push_back(fmt::format("stage {}: total is not the sum of the dips", number));
    }
  }
}

void check_stop_out(const BitePlan& plan, Broken& broken) {
  std::set<int> stopped;
  for (const Stage& s : plan.stages) {
    for (const int id : s.stop_out_before) {
      if (!stopped.insert(id).second) {
        broken.push_back(fmt::format("region {} is stopped out twice", id));
      }
    }
    std::set<int> open;
    for (const PlannedRegion& p : plan.regions) {
      if (p.stage >= s.number) open.insert(p.region.id);
      if ((p.stage < s.number) != stopped.contains(p.region.id)) {
        broken.push_back(
            fmt::format("region {} is in the wrong state at stage {}", p.region.id, s.number));
      }
    }
    if (open.empty()) broken.push_back(fmt::format("stage {} bites nothing", s.number));
    if (open != as_set(s.still_open) || open.size() != s.still_open.size()) {
      broken.push_back(fmt::format("stage {}: still_open does not fit", s.number));
    }
  }
}

void check_table(const BitePlan& plan, Broken& broken) {
  int chosen = 0;
  for (std::size_t k = 0; k < plan.stage_table.size(); ++k) {
    const StageChoice& c = plan.stage_table[k];
    chosen += c.chosen ? 1 : 0;
    if (!(c.loss >= 0) || !(c.gain >= 0)) broken.push_back("stage table: negative figure");
    if (k > 0 && c.loss > plan.stage_table[k - 1].loss + 1e-12) {
      broken.push_back("stage table: a further stage loses");
    }
  }
  if (chosen != (plan.stage_table.empty() ? 0 : 1)) broken.push_back("stage table: no one choice");
}

}  // namespace

std::vector<std::string> broken_rules(const BitePlan& plan) {
  Broken broken;
  std::set<int> lower;
  for (std::size_t i = 0; i < plan.regions.size(); ++i) {
    const PlannedRegion& p = plan.regions[i];
    if (i > 0 && plan.regions[i - 1].region.id >= p.region.id) {
      broken.push_back("regions are not in order of their numbers");
    }
    check_region(p, plan.ground, plan.stages.size(), broken);
    if (lowers(p.action) || lowered_by_eye(p)) lower.insert(p.region.id);
    if (plan.batch.empty() && p.minutes) broken.push_back("minutes without a wedge");
  }
  check_times(plan, broken);
  check_stop_out(plan, broken);
  check_table(plan, broken);
  if (lower != as_set(plan.lower_first) || lower.size() != plan.lower_first.size()) {
    broken.push_back("lower_first does not hold what is to lower");
  }
  if (plan.batch.empty() && !plan.stages.empty()) broken.push_back("stages without a wedge");
  if (!plan.control_strip.empty() && plan.control_strip.size() != plan.stages.size()) {
    broken.push_back("control strip: not one patch per stage");
  }
  for (const double v : {plan.outlook.mean_gap_before, plan.outlook.mean_gap_after}) {
    if (!(v >= 0) || !std::isfinite(v)) broken.push_back("outlook: no number");
  }
  return broken;
}

}  // namespace rebite::plan
