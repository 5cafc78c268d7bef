#include "scan/patch_row.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "scan/median.h"

namespace rebite::scan {
namespace {

constexpr double window = 0.36;      // of the pitch, measured in the middle of a patch
constexpr double least_pitch = 5;    // profile samples
constexpr double most_unrest = 0.2;  // scatter inside against the step to the neighbour

class Sums {
 public:
  explicit Sums(const std::vector<double>& v)
      : one_(v.size() + 1), two_(v.size() + 1), bad_(v.size() + 1) {
    for (std::size_t i = 0; i < v.size(); ++i) {
      const bool nan = std::isnan(v[i]);
      const double a = nan ? 0 : v[i];
      one_[i + 1] = one_[i] + a;
      two_[i + 1] = two_[i] + a * a;
      bad_[i + 1] = bad_[i] + (nan ? 1 : 0);
    }
  }
  struct Part {
    double mean = 0, variance = 0;
    bool ok = false;
  };
  // Samples of [from, to), at least two.
  Part part(double from, double to) const {
    const auto last = static_cast<double>(one_.size() - 1);
    Part p;
    if (from < -0.5 || to > last + 0.5) return p;
    const auto rounded = [last](double v) {
      return static_cast<std::size_t>(std::lround(std::clamp(v, 0.0, last)));
    };
    const std::size_t a = rounded(from);
    const std::size_t b = std::min(std::max(rounded(to), a + 2), one_.size() - 1);
    if (b < a + 2 || bad_[b] != bad_[a]) return p;
    const double n = double(b - a);
    p.mean = (one_[b] - one_[a]) / n;
    p.variance = std::max(0.0, (two_[b] - two_[a]) / n - p.mean * p.mean);
    p.ok = true;
    return p;
  }
  Sums::Part patch(double start, double pitch, int i) const {
    const double c = start + (i + 0.5) * pitch;
    return part(c - window / 2 * pitch, c + window / 2 * pitch);
  }

 private:
  std::vector<double> one_, two_, bad_;
};

// An end patch that looks like the card round it is only believed where the listed densities say
// that it should: within a fifth of the step that the next two patches lead one to expect.
bool merges_wrongly(const std::vector<double>& tone,
                    const std::vector<double>& order,
                    bool reversed,
                    double card,
                    bool at_end) {
  const std::size_t n = tone.size();
  const auto at = [&](std::size_t i) { return at_end ? n - 1 - i : i; };
  const auto listed = [&](std::size_t i) { return order[reversed ? n - 1 - at(i) : at(i)]; };
  const double step = tone[at(1)] - tone[at(0)], next = tone[at(2)] - tone[at(1)];
  if (std::abs(tone[at(0)] - card) > 0.25 * std::abs(step)) return false;
  const double expected = next * (listed(1) - listed(0)) / (listed(2) - listed(1));
  return std::abs(step - expected) > 0.2 * std::abs(expected);
}

// The row at this place, if the tones are in order and each patch is even against its step. Called
// a million times: `tone` is a buffer of order.size() numbers that the caller keeps.
std::optional<double> unrest_at(const Sums& sums,
                                double start,
                                double pitch,
                                const std::vector<double>& order,
                                bool reversed,
                                double card,
                                std::vector<double>& tone) {
  const std::size_t n = order.size();
  double unrest = 0, variance_before = 0;
  for (std::size_t i = 0; i < n; ++i) {
    const Sums::Part p = sums.patch(start, pitch, static_cast<int>(i));
    if (!p.ok) return std::nullopt;
    tone[i] = p.mean;
    if (i > 0) {
      const double fall = reversed ? order[n - i] - order[n - 1 - i] : order[i - 1] - order[i];
      const double step = fall > 0 ? p.mean - tone[i - 1] : tone[i - 1] - p.mean;
      const double u2 = std::max(p.variance, variance_before);
      if (step <= 1e-4 || u2 > most_unrest * most_unrest * step * step) return std::nullopt;
      unrest += std::sqrt(u2) / step;
    }
    variance_before = p.variance;
  }
  if (!std::isnan(card)) {
    if (merges_wrongly(tone, order, reversed, card, true)) return std::nullopt;
    if (merges_wrongly(tone, order, reversed, card, false)) return std::nullopt;
  }
  return unrest / double(n);
}

std::optional<PatchRow> try_row(const Sums& sums,
                                double start,
                                double pitch,
                                const std::vector<double>& order,
                                bool reversed,
                                double card,
                                std::vector<double>& tone) {
  const auto unrest = unrest_at(sums, start, pitch, order, reversed, card, tone);
  if (!unrest) return std::nullopt;
  return PatchRow{static_cast<int>(order.size()), start, pitch, reversed, *unrest, tone};
}

}  // namespace

std::optional<PatchRow> find_row(const std::vector<double>& profile,
                                 const std::vector<double>& order,
                                 double card) {
  const Sums sums(profile);
  const double length = double(profile.size());
  const double n = double(order.size());
  std::vector<PatchRow> rows;
  std::vector<double> tone(order.size());
  // A step of a twelfth of a pitch over the whole row, so that no row is stepped over.
  for (double pitch = length / n; pitch >= least_pitch; pitch *= 1 - 1 / (12 * n)) {
    for (double start = 0; start + n * pitch <= length + 0.5; start += pitch / 12) {
      for (const bool reversed : {false, true}) {
        if (auto row = try_row(sums, start, pitch, order, reversed, card, tone))
          rows.push_back(std::move(*row));
      }
    }
  }
  if (rows.empty()) return std::nullopt;
  const auto best =
      std::min_element(rows.begin(), rows.end(), [](const PatchRow& a, const PatchRow& b) {
        return a.unrest < b.unrest;
      });
  // Many places do equally well while the windows stay inside the patches: take their middle.
  double first = 0, last = 0, count = 0;
  for (const PatchRow& r : rows) {
    if (r.reversed != best->reversed || r.unrest > 2 * best->unrest + 0.01) continue;
    if (std::abs(r.centre(0) - best->centre(0)) > 0.6 * best->pitch) continue;
    if (std::abs(r.centre(r.n - 1) - best->centre(r.n - 1)) > 0.6 * best->pitch) continue;
    first += r.centre(0);
    last += r.centre(r.n - 1);
    count += 1;
  }
  const double pitch = (last - first) / count / (n - 1);
  auto middle =
      try_row(sums, first / count - 0.5 * pitch, pitch, order, best->reversed, card, tone);
  return middle ? middle : *best;
}

namespace {

double usual_step(const PatchRow& row) {
  std::vector<double> steps;
  for (std::size_t i = 1; i < row.tone.size(); ++i) {
    steps.push_back(std::abs(row.tone[i] - row.tone[i - 1]));
  }
  return median(steps);
}

enum class Beside { card, other, unknown };

// Is the tone that of the card at patch i's place? Between the tones on both sides: the light may
// change across the row.
Beside beside(const Sums& above, const Sums& below, const PatchRow& row, int i, double tone, double told) {
  double low = 1e9, high = -1e9;
  for (const Sums* side : {&above, &below}) {
    const auto p = side->patch(row.start, row.pitch, i);
    if (!p.ok) continue;
    low = std::min(low, p.mean);
    high = std::max(high, p.mean);
  }
  if (low > high) return Beside::unknown;
  return tone > low - told && tone < high + told ? Beside::card : Beside::other;
}

}  // namespace

BeyondRow patches_beyond(const std::vector<double>& profile, const PatchRow& row, const CardSides& card) {
  const Sums sums(profile), above(card.above), below(card.below);
  const double usual = usual_step(row);
  const double told = std::max(0.01, usual / 16);
  BeyondRow beyond;
  const double sign = row.tone.back() > row.tone.front() ? 1 : -1;
  for (const bool at_end : {false, true}) {
    double before = at_end ? row.tone.back() : row.tone.front();
    const double way = at_end ? sign : -sign;
    int known = 0, unknown = 0;
    for (int k = 0; k < 40; ++k) {
      const auto at = [&](int further) { return at_end ? row.n + further : -1 - further; };
      const auto p = sums.patch(row.start, row.pitch, at(k));
      const double step = way * (p.mean - before);
      if (!p.ok || step < 0.25 * usual || step > 4 * usual) break;
      if (std::sqrt(p.variance) > most_unrest * step) break;
      const Beside what = beside(above, below, row, at(k), p.mean, told);
      if (what == Beside::card) break;
      if (what == Beside::unknown) {
        // The card goes on with one tone, patches change theirs.
        const auto next = sums.patch(row.start, row.pitch, at(k + 1));
        if (next.ok && std::abs(next.mean - p.mean) < told) break;
      }
      before = p.mean;
      ++(what == Beside::unknown ? unknown : known);
    }
    if (known == 0 && unknown == 1) {
      beyond.unclear = true;
    } else {
      beyond.patches += known + unknown;
    }
  }
  return beyond;
}

int patches_between(const std::vector<double>& profile, const PatchRow& row) {
  int held = 0;
  double shares = 0;
  for (int i = 0; i + 1 < row.n; ++i) {
    const double from = row.tone[static_cast<std::size_t>(i)];
    const double step = row.tone[static_cast<std::size_t>(i) + 1] - from;
    int others = 0, all = 0;
    for (long x = std::lround(row.centre(i)); x < std::lround(row.centre(i + 1)); ++x, ++all) {
      const double way = (profile[static_cast<std::size_t>(x)] - from) / step;
      if (way > 0.15 && way < 0.85) ++others;
    }
    const double share = double(others) / std::max(1, all);
    shares += share;
    // A border between patches is unsharp over a sample or two of at least five.
    if (share > 0.28) ++held;
  }
  if (2 * held <= row.n - 1) return 0;
  const double share = shares / (row.n - 1);
  return std::max(1, static_cast<int>(std::lround(share / (1 - share))));
}

bool fits_with_card(const std::vector<double>& profile,
                    const PatchRow& row,
                    const std::vector<double>& order,
                    double card) {
  const Sums sums(profile);
  std::vector<double> tone(order.size());
  for (const int by : {-1, 1}) {
    const double start = row.start + by * row.pitch;
    if (!unrest_at(sums, start, row.pitch, order, row.reversed, card, tone)) continue;
    const double end = by < 0 ? tone.front() : tone.back();
    const double next = by < 0 ? tone[1] : tone[tone.size() - 2];
    if (std::isnan(card) || std::abs(end - card) < 0.25 * std::abs(next - end)) return true;
  }
  return false;
}

}  // namespace rebite::scan
