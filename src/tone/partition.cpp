#include "tone/partition.h"

#include <algorithm>
#include <cmath>
#include <utility>
#include <vector>

#include "tone/at.h"
#include "tone/tasks.h"
#include "units/density.h"

namespace rebite::tone {
namespace {

constexpr double kNowStep = 0.12;  // D; see steps_apart

// Offers to merge, least loss first; ties are settled by the numbers of the parts, so alike on
// every run. Most offers are out of date before their turn comes, and there are hundreds of
// thousands: entries are small, four children lie side by side in memory (a heap of fours: D.
// Johnson, Inf. Proc. Lett. 4, 53, 1975), and what is out of date is thrown out when it is half.
class Offers {
 public:
  struct Offer {
    double loss;
    int a, b;  // a < b
    int age_a, age_b;
  };

  bool empty() const { return heap_.empty(); }
  std::size_t size() const { return heap_.size(); }

  void push(const Offer& offer) {
    heap_.push_back(offer);
    std::size_t at = heap_.size() - 1;
    while (at > 0) {
      const std::size_t up = (at - 1) / 4;
      if (!before(offer, heap_[up])) break;
      heap_[at] = heap_[up];
      at = up;
    }
    heap_[at] = offer;
  }

  Offer pop() {
    const Offer top = heap_.front();
    const Offer last = heap_.back();
    heap_.pop_back();
    if (!heap_.empty()) sink(0, last);
    return top;
  }

  template <class Stale>
  void throw_out(const Stale& stale) {
    std::erase_if(heap_, stale);
    for (std::size_t k = heap_.size() / 4 + 1; k-- > 0;)
      if (k < heap_.size()) sink(k, Offer(heap_[k]));
  }

 private:
  static bool before(const Offer& x, const Offer& y) {
    if (x.loss != y.loss) return x.loss < y.loss;
    return x.a != y.a ? x.a < y.a : x.b < y.b;
  }

  void sink(std::size_t at, const Offer& offer) {
    for (;;) {
      const std::size_t first = 4 * at + 1;
      if (first >= heap_.size()) break;
      std::size_t least = first;
      for (std::size_t k = first + 1; k < std::min(first + 4, heap_.size()); ++k)
        if (before(heap_[k], heap_[least])) least = k;
      if (!before(heap_[least], offer)) break;
      heap_[at] = heap_[least];
      at = least;
    }
    heap_[at] = offer;
  }

  std::vector<Offer> heap_;
};

class Merger {
 public:
  using Loss = double (*)(const PartTone&, const PartTone&, double);
  Merger(PartGraph graph, Loss loss, double stop_at)
      : g_(std::move(graph)),
        near_(g_.parts.size()),
        tones_(g_.parts.begin(), g_.parts.end()),
        loss_(loss),
        stop_at_(stop_at),
        age_(g_.parts.size(), 0) {
    into_.resize(g_.parts.size());
    for (std::size_t i = 0; i < into_.size(); ++i) into_[i] = static_cast<int>(i);
    for (std::size_t i = 0; i < g_.parts.size(); ++i)
      near_[i].assign(g_.border[i].begin(), g_.border[i].end());
    g_.border.clear();
    for (std::size_t i = 0; i < g_.parts.size(); ++i) offer(static_cast<int>(i), true);
    most_ = 2 * offers_.size() + 1000;
  }

  std::vector<int> run() {
    while (!offers_.empty()) {
      const Offers::Offer o = offers_.pop();
      if (!stale(o)) merge(o.a, o.b);
      if (offers_.size() > most_) {
        offers_.throw_out([&](const Offers::Offer& other) { return stale(other); });
        most_ = 2 * offers_.size() + 1000;
      }
    }
    return numbers();
  }

 private:
  bool stale(const Offers::Offer& o) const {
    return age_[at(o.a)] != o.age_a || age_[at(o.b)] != o.age_b;
  }

  void offer(int a, bool only_higher) {
    for (const auto& [b, mm] : near_[at(a)]) {
      if (only_higher && b < a) continue;
      const double loss = loss_(tones_[at(a)], tones_[at(b)], mm);
      if (loss > stop_at_) continue;  // offered again should either part change
      const auto [low, high] = std::minmax(a, b);
      offers_.push({loss, low, high, age_[at(low)], age_[at(high)]});
    }
  }

  void merge(int a, int b) {
    if (near_[at(a)].size() < near_[at(b)].size()) std::swap(a, b);
    g_.parts[at(a)].add(g_.parts[at(b)]);
    tones_[at(a)] = PartTone(g_.parts[at(a)]);
    for (const auto& [n, mm] : near_[at(b)]) {
      erase(near_[at(n)], b);
      if (n != a) add(near_[at(n)], a, mm);
    }
    take_in(a, b);
    near_[at(b)] = {};
    into_[at(b)] = a;
    ++age_[at(a)];
    age_[at(b)] = -1;
    offer(a, false);
  }

  // Neighbours of a part with the border shared, in order of their numbers.
  using Near = std::vector<std::pair<int, double>>;

  static Near::iterator place_of(Near& near, int part) {
    return std::lower_bound(
        near.begin(), near.end(), part, [](const auto& n, int k) { return n.first < k; });
  }
  static void erase(Near& near, int part) {
    const auto found = place_of(near, part);
    if (found != near.end() && found->first == part) near.erase(found);
  }
  static void add(Near& near, int part, double mm) {
    const auto found = place_of(near, part);
    if (found != near.end() && found->first == part)
      found->second += mm;
    else
      near.insert(found, {part, mm});
  }

  // The neighbours of b become those of a.
  void take_in(int a, int b) {
    const Near &own = near_[at(a)], &other = near_[at(b)];
    both_.clear();
    auto x = own.begin();
    for (const auto& [n, mm] : other) {
      if (n == a) continue;
      while (x != own.end() && x->first < n) both_.push_back(*x++);
      if (x != own.end() && x->first == n)
        both_.emplace_back(n, x++->second + mm);
      else
        both_.emplace_back(n, mm);
    }
    both_.insert(both_.end(), x, own.end());
    near_[at(a)].swap(both_);
  }

  std::vector<int> numbers() {
    std::vector<int> out(into_.size(), -1);
    std::vector<int> number(into_.size(), -1);
    int next = 0;
    for (std::size_t i = 0; i < into_.size(); ++i) {
      int root = static_cast<int>(i);
      while (into_[at(root)] != root) root = into_[at(root)];
      into_[i] = root;
      if (number[at(root)] < 0) number[at(root)] = next++;
      out[i] = number[at(root)];
    }
    return out;
  }

  PartGraph g_;
  std::vector<Near> near_;
  Near both_;
  std::vector<PartTone> tones_;
  Loss loss_;
  double stop_at_;
  std::vector<int> age_;
  std::vector<int> into_;
  Offers offers_;
  std::size_t most_ = 0;
};

// Of every part, with what other parts it has a border and how long, in mm.
std::vector<std::map<int, double>> borders_between(const cv::Mat1i& labels, int count, double mm) {
  std::vector<std::map<int, double>> border(at(count));
  // The same two parts mostly meet again in the next cell: their entries are kept at hand, one
  // pair for the neighbours across and one for those below.
  struct Pair {
    int a = -1, b = -1;
    double *of_a = nullptr, *of_b = nullptr;
  };
  const auto touch = [&](Pair& last, int a, int b) {
    if (a == b || a < 0 || b < 0) return;
    if (last.a != a || last.b != b)
      last = {a, b, &border[at(a)][b], &border[at(b)][a]};  // entries of a map never move
    *last.of_a += mm;
    *last.of_b += mm;
  };
  Pair across, down;
  for (int i = 0; i < labels.rows; ++i) {
    const int *row = labels[i], *below = i + 1 < labels.rows ? labels[i + 1] : nullptr;
    for (int j = 0; j < labels.cols; ++j) {
      if (j + 1 < labels.cols) touch(across, row[j], row[j + 1]);
      if (below) touch(down, row[j], below[j]);
    }
  }
  return border;
}

}  // namespace

double PartSums::now() const { return area > 0 ? density_of(p / area) : 0; }
double PartSums::target() const { return area > 0 ? density_of(d / area) : 0; }
double PartSums::gap() const { return target() - now(); }
double PartSums::noise_gap() const { return area > 0 ? std::sqrt(var_gap) / area : 1; }

void PartSums::add(const PartSums& o) {
  area += o.area;
  p += o.p;
  d += o.d;
  var_now += o.var_now;
  var_gap += o.var_gap;
}

std::vector<PartSums> sums_of(const cv::Mat1i& labels,
                              int count,
                              const Cells& c,
                              const cv::Mat1b& left_out) {
  std::vector<PartSums> parts(at(count));
  const double mm2 = c.mm * c.mm;
  for (int i = 0; i < labels.rows; ++i) {
    const int* row = labels[i];
    const uchar *usable = c.usable[i], *out = left_out.empty() ? nullptr : left_out[i];
    const float *proof = c.proof[i], *drawing = c.drawing[i];
    const float *noise_now = c.noise_now[i], *noise_gap = c.noise_gap[i];
    for (int j = 0; j < labels.cols; ++j) {
      if (row[j] < 0 || !usable[j] || (out && out[j])) continue;
      PartSums& s = parts[at(row[j])];
      s.area += mm2;
      s.p += static_cast<double>(proof[j]) * mm2;
      s.d += static_cast<double>(drawing[j]) * mm2;
      s.var_now += static_cast<double>(noise_now[j]) * static_cast<double>(noise_now[j]) * mm2;
      s.var_gap += static_cast<double>(noise_gap[j]) * static_cast<double>(noise_gap[j]) * mm2;
    }
  }
  return parts;
}

PartGraph graph_of(const cv::Mat1i& labels, int count, const Cells& c, const cv::Mat1b& left_out) {
  PartGraph g;
  at_once({[&] { g.border = borders_between(labels, count, c.mm); },
           [&] { g.parts = sums_of(labels, count, c, left_out); }});
  return g;
}

PartTone::PartTone(const PartSums& s)
    : area(s.area),
      now(s.now()),
      target(s.target()),
      var_now(s.area > 0 ? s.var_now / (s.area * s.area) : 0),
      var_gap(s.area > 0 ? s.var_gap / (s.area * s.area) : 0) {}

double steps_apart(const PartTone& a, const PartTone& b) {
  if (a.area <= 0 || b.area <= 0) return 0;
  const double step =
      visible_step(Density::of(0.25 * (a.now + b.now + a.target + b.target))).value();
  const double dg = a.gap() - b.gap();
  const double gap2 = dg * dg / (step * step + 2 * (a.var_gap + b.var_gap));
  const double dn = a.now - b.now;
  const double now2 = dn * dn / (kNowStep * kNowStep + 2 * (a.var_now + b.var_now));
  return std::sqrt(gap2 + now2);
}

double merge_loss(const PartTone& a, const PartTone& b, double border_mm) {
  if (a.area <= 0 || b.area <= 0) return 0;
  const double d = steps_apart(a, b);
  return a.area * b.area / (a.area + b.area) * d * d / std::max(border_mm, 1e-6);
}

std::vector<int> merge_parts(PartGraph graph, double stop_at) {
  const auto loss = [](const PartTone& a, const PartTone& b, double mm) {
    return merge_loss(a, b, mm);
  };
  return Merger(std::move(graph), loss, stop_at).run();
}

std::vector<int> merge_alike(PartGraph graph, double steps) {
  const auto loss = [](const PartTone& a, const PartTone& b, double) { return steps_apart(a, b); };
  return Merger(std::move(graph), loss, steps).run();
}

cv::Mat1i block_labels(const Cells& c, double block_mm, int& count) {
  const int step = std::max(1, static_cast<int>(std::lround(block_mm / c.mm)));
  const int across = (c.proof.cols + step - 1) / step;
  const int down = (c.proof.rows + step - 1) / step;
  std::vector<int> number(static_cast<std::size_t>(across) * static_cast<std::size_t>(down), -1);
  cv::Mat1i labels(c.proof.size(), -1);
  count = 0;
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      if (!c.usable(i, j)) continue;
      int& n = number[static_cast<std::size_t>((i / step) * across + j / step)];
      if (n < 0) n = count++;
      labels(i, j) = n;
    }
  }
  return labels;
}

void relabel(cv::Mat1i& labels, const std::vector<int>& to) {
  for_rows(labels.rows, [&](int i) {
    int* row = labels[i];
    for (int j = 0; j < labels.cols; ++j)
      if (row[j] >= 0) row[j] = to[static_cast<std::size_t>(row[j])];
  });
}

// Two passes with a forest of equal numbers (A. Rosenfeld, J. Pfaltz, J. ACM 13, 1966).
int split_pieces(cv::Mat1i& labels) {
  cv::Mat1i out(labels.size());
  std::vector<int> up;  // a smaller number of the same piece, or its own
  const auto first_of = [&](int k) {
    while (up[static_cast<std::size_t>(k)] != k) {
      const int next = up[static_cast<std::size_t>(k)];
      up[static_cast<std::size_t>(k)] = up[static_cast<std::size_t>(next)];
      k = next;
    }
    return k;
  };
  for (int i = 0; i < labels.rows; ++i) {
    const int *own = labels[i], *above = i > 0 ? labels[i - 1] : nullptr;
    int *to = out[i], *over = i > 0 ? out[i - 1] : nullptr;
    for (int j = 0; j < labels.cols; ++j) {
      const int k = own[j];
      if (k < 0) {
        to[j] = -1;
        continue;
      }
      const bool left = j > 0 && own[j - 1] == k, top = above && above[j] == k;
      if (left && top) {
        to[j] = to[j - 1];
        if (to[j] != over[j]) {
          const int a = first_of(to[j]), b = first_of(over[j]);
          up[static_cast<std::size_t>(std::max(a, b))] = std::min(a, b);
          to[j] = std::min(a, b);
        }
      } else if (left || top) {
        to[j] = left ? to[j - 1] : over[j];
      } else {
        to[j] = static_cast<int>(up.size());
        up.push_back(to[j]);
      }
    }
  }
  int count = 0;
  std::vector<int> number(up.size());
  for (std::size_t k = 0; k < up.size(); ++k) {
    const int first = first_of(static_cast<int>(k));
    number[k] = first == static_cast<int>(k) ? count++ : number[static_cast<std::size_t>(first)];
  }
  relabel(out, number);
  labels = out;
  return count;
}

}  // namespace rebite::tone
