#include "plan/stages.h"

#include <fmt/format.h>

#include <algorithm>
#include <cassert>
#include <cmath>
#include <cstddef>

#include "plan/chain.h"
#include "plan/classes.h"

namespace rebite::plan {
namespace {

constexpr std::size_t most_candidates = 160;
constexpr double knee_loss = 0.006;  // per further stage
constexpr double knee_share = 0.05;
constexpr double stage_minutes = 15;  // handling; see plan_notes.h
constexpr int knee_most = 8;

// Losses of every area at every node. Node 0 is "not bitten", then the candidates in order.
class LossTable {
 public:
  LossTable(const std::vector<StageArea>& areas,
            std::vector<double> seconds,
            const StageOptions& options)
      : areas_(areas), seconds_(std::move(seconds)) {
    seconds_.insert(seconds_.begin(), 0.0);
    double all = 0;
    for (const StageArea& a : areas_) all += a.area_mm2;
    for (const StageArea& a : areas_) {
      std::vector<double> off, cost;
      for (const double s : seconds_) {
        const double d = (a.reached(BiteTime::seconds(s)) - a.wanted_tone).value();
        off.push_back(d);
        const double tone = d > 0 ? options.overshoot_weight * d : -d;
        const double share = a.area_mm2 / all;
        cost.push_back(share * (tone + off_by_hand(a, s, options.hand_sd)) +
                       beyond_tone(a, s, share, options.overshoot_weight));
      }
      never_rise_towards(a.wanted.in_seconds(), cost);
      off_.push_back(std::move(off));
      cost_.push_back(std::move(cost));
      share_.push_back(a.area_mm2 / all);
    }
  }
  int nodes() const { return static_cast<int>(seconds_.size()); }
  double seconds(int node) const { return seconds_[static_cast<std::size_t>(node)]; }
  double cost(std::size_t area, int node) const {
    return cost_[area][static_cast<std::size_t>(node)];
  }
  double off(std::size_t area, int node) const {
    return off_[area][static_cast<std::size_t>(node)];
  }
  double share(std::size_t area) const { return share_[area]; }
  double wanted(std::size_t area) const { return areas_[area].wanted.in_seconds(); }
  std::size_t areas() const { return areas_.size(); }

  // Of all areas whose own time lies after node i and not after node j (j = nodes(): no end).
  double between(int i, int j) const {
    const double from = i == 0 ? -1 : seconds(i);
    double sum = 0;
    for (std::size_t a = 0; a < areas(); ++a) {
      if (wanted(a) <= from || (j < nodes() && wanted(a) > seconds(j))) continue;
      sum += j < nodes() ? std::min(cost(a, i), cost(a, j)) : cost(a, i);
    }
    return sum;
  }

 private:
  // Mean |tone error| of a total that the hand's second is off.
  static double off_by_hand(const StageArea& a, double s, BiteTime sd) {
    if (s <= 0) return 0;
    const BiteTime t = BiteTime::seconds(s);
    const BiteTime before = std::max(BiteTime::minutes(0), t - sd);
    return std::max(0.0, 0.4 * (a.reached(t + sd) - a.reached(before)).value());
  }
  // hand_loss and past_end_loss.
  static double beyond_tone(const StageArea& a, double s, double share, double overshoot_weight) {
    constexpr double most_factors = 3;  // not bitten at all: as an eighth or eight times
    const double wanted = a.wanted.in_seconds();
    double loss = 0;
    if (a.by_hand) {
      const double off = s > 0 ? std::fabs(std::log2(s / wanted)) : most_factors;
      loss += std::max(share, least_hand_share) * hand_loss * std::min(off, most_factors);
    }
    if (!a.longest) return loss;
    // A hundredth more is rounding, or is not worth a stage.
    const double end = 1.01 * std::max(wanted, a.longest->in_seconds());
    if (s > end) loss += share * overshoot_weight * past_end_loss * std::log2(s / end);
    return loss;
  }
  void never_rise_towards(double wanted, std::vector<double>& cost) const {
    const auto own = static_cast<std::size_t>(
        std::lower_bound(seconds_.begin(), seconds_.end(), wanted) - seconds_.begin());
    for (std::size_t j = own + 1; j < cost.size(); ++j) cost[j] = std::max(cost[j], cost[j - 1]);
    for (std::size_t j = own; j-- > 1;) cost[j - 1] = std::max(cost[j - 1], cost[j]);
  }

  const std::vector<StageArea>& areas_;
  std::vector<double> seconds_;
  std::vector<std::vector<double>> off_, cost_;
  std::vector<double> share_;
};

// Per area the node of `chain` that loses least; of equals the shorter time.
std::vector<int> assign(const LossTable& table, const std::vector<int>& chain) {
  std::vector<int> node_of(table.areas(), 0);
  for (std::size_t a = 0; a < table.areas(); ++a) {
    for (const int node : chain) {
      if (node < table.nodes() && table.cost(a, node) < table.cost(a, node_of[a])) {
        node_of[a] = node;
      }
    }
  }
  return node_of;
}

// Share of the area that ends further than a visible step from its own tone.
double share_off(const LossTable& table,
                 const std::vector<StageArea>& areas,
                 const std::vector<int>& node_of) {
  double share = 0;
  for (std::size_t a = 0; a < areas.size(); ++a) {
    const double step = visible_step(areas[a].wanted_tone).value();
    if (std::fabs(table.off(a, node_of[a])) > step) share += table.share(a);
  }
  return share;
}

// "At most k stages" in place of "exactly k": the shortest dip can force a further total into a
// worse place than none. Chains past the last gain are dropped.
void keep_gains(std::vector<Chain>& chains) {
  std::size_t last = 1;
  for (std::size_t k = 1; k < chains.size(); ++k) {
    if (chains[k].cost < chains[k - 1].cost - 1e-12) {
      last = k + 1;
    } else {
      chains[k] = chains[k - 1];
    }
  }
  chains.resize(std::min(last, chains.size()));
  assert(!chains.empty() && chains.front().cost < no_way);
}

// True if going on from k stages to `more` is worth its handling, on the average of those stages.
bool worth_it(const std::vector<Chain>& chains,
              const std::vector<double>& off_share,
              std::size_t k,
              std::size_t more) {
  const double stages = static_cast<double>(more - k);
  return chains[k].cost - chains[more].cost > knee_loss * stages ||
         off_share[k] - off_share[more] > knee_share * stages;
}

int knee(const std::vector<Chain>& chains, const std::vector<double>& off_share) {
  const int last = std::min(static_cast<int>(chains.size()), knee_most);
  for (int k = 1; k < last; ++k) {
    const auto i = static_cast<std::size_t>(k - 1);
    bool any = false;
    for (std::size_t more = i + 1; more < chains.size(); ++more) {
      any = any || worth_it(chains, off_share, i, more);
    }
    if (!any) return k;
  }
  return last;
}

// Totals that an area really ends at; a stage that nobody leaves would only be work.
void fill_times(const LossTable& table, const std::vector<int>& node_of, StageTimes& out) {
  std::vector<int> used(node_of);
  std::sort(used.begin(), used.end());
  used.erase(std::unique(used.begin(), used.end()), used.end());
  std::erase(used, 0);
  for (const int node : used) out.totals.push_back(BiteTime::seconds(table.seconds(node)));
  for (const int node : node_of) {
    const auto place = std::lower_bound(used.begin(), used.end(), node);
    out.stage_of.push_back(node == 0 ? 0 : static_cast<int>(place - used.begin()) + 1);
  }
}

std::vector<double> gathered(const std::vector<double>& seconds) {
  std::vector<double> logs;
  for (const double s : seconds) logs.push_back(std::log(s));
  const auto classes = optimal_classes(logs, {}, static_cast<int>(most_candidates));
  assert(classes);
  std::vector<double> few;
  for (const double m : classes->means) few.push_back(std::floor(std::exp(m) + 0.01));
  few.erase(std::unique(few.begin(), few.end()), few.end());
  return few;
}

}  // namespace

double overshoot_weight(double risk) {
  assert(risk > 0 && risk < 1);
  return (1 - risk) / risk;
}

BiteTime worth_staying(const std::vector<StageArea>& areas, BiteTime ordinary, double all_mm2) {
  BiteTime longest = ordinary;
  for (const StageArea& a : areas) longest = std::max(longest, a.wanted);
  const auto tone_at = [&](BiteTime t) {
    double sum = 0;
    for (const StageArea& a : areas) {
      sum += a.area_mm2 / all_mm2 * a.reached(std::min(t, a.wanted)).value();
    }
    return sum;
  };
  BiteTime best = ordinary;
  double most = tone_at(ordinary);
  constexpr int steps = 600;
  for (int k = 1; k <= steps; ++k) {
    const BiteTime t = ordinary + (longest - ordinary) * (static_cast<double>(k) / steps);
    const double worth = tone_at(t) - knee_loss / stage_minutes * (t - ordinary).in_minutes();
    if (worth <= most + 1e-12) continue;
    most = worth;
    best = t;
  }
  return best;
}

std::vector<double> candidate_seconds(const std::vector<StageArea>& areas, BiteTime shortest) {
  const double least = std::max(1.0, std::ceil(shortest.in_seconds() - 0.01));
  std::vector<double> seconds{least};
  for (const StageArea& a : areas) {
    // The hundredth takes up rounding in the arithmetic (1799.9999999 s is 30 min).
    const double s = std::floor(a.wanted.in_seconds() + 0.01);
    if (s > least) seconds.push_back(s);
  }
  std::sort(seconds.begin(), seconds.end());
  seconds.erase(std::unique(seconds.begin(), seconds.end()), seconds.end());
  if (seconds.size() <= most_candidates) return seconds;
  std::vector<double> few = gathered(seconds);
  for (const StageArea& a : areas) {
    const double s = std::floor(a.wanted.in_seconds() + 0.01);
    if (a.by_hand && s > least) few.push_back(s);
  }
  std::sort(few.begin(), few.end());
  few.erase(std::unique(few.begin(), few.end()), few.end());
  return few;
}

StageTimes choose_stages(const std::vector<StageArea>& areas, const StageOptions& options) {
  StageTimes out;
  if (areas.empty()) return out;
  const LossTable table(areas, candidate_seconds(areas, options.shortest), options);
  const int nodes = table.nodes();
  const double least = table.seconds(1);
  const double dip = std::max(1.0, options.shortest.in_seconds());
  assert(least >= dip - 0.01);
  const int most = std::min(nodes - 1, most_stages);
  auto chains = cheapest_chains(nodes + 1, most + 1, [&](int i, int j) {
    if (j < nodes && table.seconds(j) - table.seconds(i) < dip - 0.01) return no_way;
    return table.between(i, j);
  });
  const double unbitten = chains.front().cost;  // one link: straight from nothing to the end
  chains.erase(chains.begin());
  keep_gains(chains);

  std::vector<std::vector<int>> node_of;
  std::vector<double> off_share;
  for (const Chain& chain : chains) {
    node_of.push_back(assign(table, chain.nodes));
    off_share.push_back(share_off(table, areas, node_of.back()));
  }
  const int last = static_cast<int>(chains.size());
  int chosen = knee(chains, off_share);
  if (options.stages) {
    chosen = *options.stages == 0 ? last : std::min(*options.stages, last);
    if (*options.stages > last) {
      out.notes.push_back(fmt::format(
          "{} stages were asked for; there are only {} times that a hand can tell apart.",
          *options.stages,
          last));
    }
  }
  double before = unbitten;
  for (int k = 1; k <= last; ++k) {
    const double loss = chains[static_cast<std::size_t>(k - 1)].cost;
    out.table.push_back({k, loss, std::max(0.0, before - loss), k == chosen});
    before = loss;
  }
  const auto c = static_cast<std::size_t>(chosen - 1);
  out.loss = chains[c].cost;
  fill_times(table, node_of[c], out);
  return out;
}

}  // namespace rebite::plan
