#include "align/sparse_cholesky.h"

#include <Eigen/OrderingMethods>
#include <algorithm>
#include <atomic>
#include <cassert>
#include <cmath>
#include <utility>

#include "align/dense_panel.h"
#include "align/parallel.h"

namespace rebite::align {
namespace {

using Panel = Eigen::Map<Eigen::MatrixXd>;
using ConstPanel = Eigen::Map<const Eigen::MatrixXd>;

// A supernode takes in its last child while few of the entries become stored zeros: limits by the
// columns of both, as in Davis, Direct Methods for Sparse Linear Systems, and CHOLMOD's guide.
constexpr double zeros_allowed(double columns) {
  return columns <= 4 ? 1.0 : columns <= 16 ? 0.8 : columns <= 48 ? 0.1 : 0.05;
}
constexpr std::size_t kSubtrees = 8;

using Lists = std::vector<std::vector<int>>;

// Neighbours of each pair, itself left out.
Lists neighbours_of(const SparseCholesky::Sparse& lower) {
  Lists near(static_cast<std::size_t>(lower.cols() / 2));
  for (int col = 0; col < lower.cols(); col += 2)
    for (SparseCholesky::Sparse::InnerIterator it(lower, col); it; ++it) {
      const int a = static_cast<int>(it.row()) / 2, b = col / 2;
      if (a == b || (it.row() % 2 && near[static_cast<std::size_t>(b)].size() &&
                     near[static_cast<std::size_t>(b)].back() == a))
        continue;
      near[static_cast<std::size_t>(a)].push_back(b);
      near[static_cast<std::size_t>(b)].push_back(a);
    }
  for (auto& n : near) {
    std::sort(n.begin(), n.end());
    n.erase(std::unique(n.begin(), n.end()), n.end());
  }
  return near;
}

// Approximate minimum degree; place[pair] in the new order.
std::vector<int> least_fill(const Lists& near) {
  const int n = static_cast<int>(near.size());
  std::vector<Eigen::Triplet<double>> entries;
  for (int a = 0; a < n; ++a) {
    entries.emplace_back(a, a, 1.0);
    for (const int b : near[static_cast<std::size_t>(a)]) entries.emplace_back(a, b, 1.0);
  }
  Eigen::SparseMatrix<double> graph(n, n);
  graph.setFromTriplets(entries.begin(), entries.end());
  Eigen::PermutationMatrix<Eigen::Dynamic, Eigen::Dynamic, int> order;
  Eigen::AMDOrdering<int>()(graph, order);  // order[k]: the pair that comes k-th
  std::vector<int> place(near.size());
  for (int k = 0; k < n; ++k) place[static_cast<std::size_t>(order.indices()[k])] = k;
  return place;
}

// Rows below the diagonal of each column of the factor, and the elimination tree.
void symbolic(const Lists& near,
              const std::vector<int>& place,
              Lists& rows_of,
              std::vector<int>& parent) {
  const std::size_t n = near.size();
  Lists children(n);
  rows_of.assign(n, {});
  parent.assign(n, -1);
  std::vector<std::size_t> pair_at(n);
  for (std::size_t k = 0; k < n; ++k) pair_at[static_cast<std::size_t>(place[k])] = k;
  std::vector<int> seen(n, -1);
  for (std::size_t j = 0; j < n; ++j) {
    auto& rows = rows_of[j];
    const int self = static_cast<int>(j);
    const auto add = [&](int row) {
      if (row <= self || seen[static_cast<std::size_t>(row)] == self) return;
      seen[static_cast<std::size_t>(row)] = self;
      rows.push_back(row);
    };
    for (const int b : near[pair_at[j]]) add(place[static_cast<std::size_t>(b)]);
    for (const int child : children[j])
      for (const int row : rows_of[static_cast<std::size_t>(child)]) add(row);
    std::sort(rows.begin(), rows.end());
    if (rows.empty()) continue;
    parent[j] = rows.front();
    children[static_cast<std::size_t>(rows.front())].push_back(self);
  }
}

// New places such that every subtree is one run of columns.
std::vector<int> postorder(const std::vector<int>& parent) {
  const std::size_t n = parent.size();
  Lists children(n + 1);
  for (std::size_t k = n; k-- > 0;)
    children[parent[k] < 0 ? n : static_cast<std::size_t>(parent[k])].push_back(
        static_cast<int>(k));
  std::vector<int> place(n), stack = children[n];
  int next = static_cast<int>(n);
  while (!stack.empty()) {  // parents first, from the end
    const auto at = static_cast<std::size_t>(stack.back());
    stack.pop_back();
    place[at] = --next;
    stack.insert(stack.end(), children[at].begin(), children[at].end());
  }
  return place;
}

}  // namespace

void SparseCholesky::analyze(const Sparse& lower) {
  assert(lower.isCompressed() && lower.rows() == lower.cols() && lower.cols() % 2 == 0);
  const Lists near = neighbours_of(lower);
  place_ = least_fill(near);
  Lists rows_of;
  std::vector<int> parent;
  symbolic(near, place_, rows_of, parent);
  const std::vector<int> after = postorder(parent);
  for (int& p : place_) p = after[static_cast<std::size_t>(p)];
  symbolic(near, place_, rows_of, parent);
  make_nodes(rows_of, parent);
  link_nodes();
  place_entries(lower);
  choose_subtrees();
}

void SparseCholesky::make_nodes(const Lists& rows_of, const std::vector<int>& parent) {
  struct Run {
    std::size_t first, last;  // columns
    double zeros;
  };
  std::vector<Run> runs;
  const auto width = [](const Run& r) { return static_cast<double>(r.last - r.first + 1); };
  // Entries of a run's panel: its triangle and the rows below it.
  const auto entries = [&](const Run& r) {
    const double w = width(r);
    return w * (w + 1) / 2 + w * static_cast<double>(rows_of[r.last].size());
  };
  // Takes the run before the last into the last one, if that is its parent and costs little.
  const auto joined = [&](bool exactly) {
    if (runs.size() < 2) return false;
    const Run &child = runs[runs.size() - 2], &last = runs.back();
    const int up = parent[child.last];
    if (up < static_cast<int>(last.first) || up > static_cast<int>(last.last)) return false;
    Run both{child.first, last.last, child.zeros + last.zeros};
    both.zeros += entries(both) - entries(child) - entries(last);
    const double allowed = exactly ? 0.0 : zeros_allowed(2 * width(both));
    if (both.zeros > allowed * entries(both)) return false;
    runs.pop_back();
    runs.back() = both;
    return true;
  };
  for (std::size_t j = 0; j < parent.size(); ++j) {
    runs.push_back({j, j, 0});
    joined(true);
  }
  const std::vector<Run> exact = std::exchange(runs, {});
  for (const Run& r : exact) {
    runs.push_back(r);
    while (joined(false)) continue;
  }
  nodes_.clear();
  node_of_.assign(parent.size(), 0);
  for (const Run& r : runs) {
    for (std::size_t j = r.first; j <= r.last; ++j) node_of_[j] = static_cast<int>(nodes_.size());
    Node node;
    node.first = 2 * static_cast<int>(r.first);
    node.columns = 2 * static_cast<int>(r.last - r.first + 1);
    node.below = rows_of[r.last];
    nodes_.push_back(std::move(node));
  }
}

void SparseCholesky::link_nodes() {
  std::size_t total = 0;
  for (std::size_t k = 0; k < nodes_.size(); ++k) {
    Node& node = nodes_[k];
    node.panel = total;
    total += static_cast<std::size_t>(node.rows()) * static_cast<std::size_t>(node.columns);
    const double rows = node.rows(), columns = node.columns;
    for (double c = 0; c < columns; ++c) node.work += (rows - c) * (rows - c) / 2;
    for (const int child : node.children) node.work += nodes_[static_cast<std::size_t>(child)].work;
    if (node.below.empty()) continue;
    node.parent = node_of_[static_cast<std::size_t>(node.below.front())];
    Node& parent = nodes_[static_cast<std::size_t>(node.parent)];
    parent.children.push_back(static_cast<int>(k));
    const int first = parent.first / 2, own = parent.columns / 2;
    std::size_t at = 0;
    for (const int row : node.below) {
      if (row < first + own) {
        node.in_parent.push_back(row - first);
        continue;
      }
      while (parent.below[at] != row) ++at;
      node.in_parent.push_back(own + static_cast<int>(at));
    }
  }
  panels_.assign(total, 0.0);
  updates_.assign(nodes_.size(), {});
}

void SparseCholesky::place_entries(const Sparse& lower) {
  entry_.clear();
  entry_.reserve(static_cast<std::size_t>(lower.nonZeros()));
  const auto place = [&](Eigen::Index unknown) {
    return 2 * place_[static_cast<std::size_t>(unknown / 2)] + static_cast<int>(unknown % 2);
  };
  for (int col = 0; col < lower.cols(); ++col)
    for (Sparse::InnerIterator it(lower, col); it; ++it) {
      const int a = place(it.row()), b = place(col);
      const int low = std::max(a, b), left = std::min(a, b);
      const Node& node =
          nodes_[static_cast<std::size_t>(node_of_[static_cast<std::size_t>(left / 2)])];
      int row = low - node.first;
      if (row >= node.columns) {
        const auto found = std::lower_bound(node.below.begin(), node.below.end(), low / 2);
        row = node.columns + 2 * static_cast<int>(found - node.below.begin()) + low % 2;
      }
      entry_.push_back(node.panel + static_cast<std::size_t>(row) +
                       static_cast<std::size_t>(left - node.first) *
                           static_cast<std::size_t>(node.rows()));
    }
}

// The heaviest subtree is split into its children until there are enough to share out.
void SparseCholesky::choose_subtrees() {
  std::vector<int> roots;
  for (std::size_t k = 0; k < nodes_.size(); ++k)
    if (nodes_[k].parent < 0) roots.push_back(static_cast<int>(k));
  const auto work = [&](int k) { return nodes_[static_cast<std::size_t>(k)].work; };
  std::vector<char> is_above(nodes_.size(), 0);
  while (!roots.empty() && roots.size() < kSubtrees) {
    const auto heaviest = std::max_element(
        roots.begin(), roots.end(), [&](int a, int b) { return work(a) < work(b); });
    const auto k = static_cast<std::size_t>(*heaviest);
    if (nodes_[k].children.empty()) break;
    is_above[k] = 1;
    roots.erase(heaviest);
    roots.insert(roots.end(), nodes_[k].children.begin(), nodes_[k].children.end());
  }
  std::sort(roots.begin(), roots.end(), [&](int a, int b) { return work(a) > work(b); });
  above_.clear();
  apart_.assign(roots.size(), {});
  std::vector<int> tree(nodes_.size(), -1);  // children come before their parents
  for (std::size_t t = 0; t < roots.size(); ++t)
    tree[static_cast<std::size_t>(roots[t])] = static_cast<int>(t);
  for (std::size_t k = nodes_.size(); k-- > 0;) {
    if (is_above[k]) continue;
    if (tree[k] < 0) tree[k] = tree[static_cast<std::size_t>(nodes_[k].parent)];
    apart_[static_cast<std::size_t>(tree[k])].insert(
        apart_[static_cast<std::size_t>(tree[k])].begin(), static_cast<int>(k));
  }
  for (std::size_t k = 0; k < nodes_.size(); ++k)
    if (is_above[k]) above_.push_back(static_cast<int>(k));
}

// Adds what the node's children leave to its panel and to its own update.
void SparseCholesky::assemble(int k) {
  const Node& node = nodes_[static_cast<std::size_t>(k)];
  Panel panel(panels_.data() + node.panel, node.rows(), node.columns);
  Eigen::MatrixXd& update = updates_[static_cast<std::size_t>(k)];
  for (const int c : node.children) {
    Eigen::MatrixXd& from = updates_[static_cast<std::size_t>(c)];
    const auto& places = nodes_[static_cast<std::size_t>(c)].in_parent;
    for (Eigen::Index j = 0; j < from.cols(); ++j) {
      const int col = 2 * places[static_cast<std::size_t>(j / 2)] + static_cast<int>(j % 2);
      double* to = col < node.columns ? panel.col(col).data()
                                      : update.col(col - node.columns).data() - node.columns;
      const double* source = from.col(j).data();
      // From the diagonal's pair on; what lies above the diagonal is never read.
      for (Eigen::Index i = j / 2; i < from.rows() / 2; ++i) {
        const int row = 2 * places[static_cast<std::size_t>(i)];
        to[row] += source[2 * i];
        to[row + 1] += source[2 * i + 1];
      }
    }
    from.resize(0, 0);
  }
}

bool SparseCholesky::factor_node(int k, int threads) {
  const Node& node = nodes_[static_cast<std::size_t>(k)];
  Panel panel(panels_.data() + node.panel, node.rows(), node.columns);
  Eigen::MatrixXd& update = updates_[static_cast<std::size_t>(k)];
  const Eigen::Index below = node.rows() - node.columns;
  update.setZero(below, below);
  assemble(k);
  if (!factor_panel(panel.data(), node.rows(), node.columns, threads)) return false;
  if (below == 0) return true;
  subtract_square(update.data(),
                  static_cast<int>(below),
                  panel.data() + node.columns,
                  node.rows(),
                  static_cast<int>(below),
                  node.columns,
                  threads);
  return true;
}

bool SparseCholesky::factorize(const Sparse& lower, int threads) {
  assert(static_cast<std::size_t>(lower.nonZeros()) == entry_.size());
  const auto pieces_of = [&](std::size_t n, const auto& work) {  // each number by itself
    constexpr int pieces = 16;
    in_parallel(pieces, threads, [&](int first, int last) {
      work(n * static_cast<std::size_t>(first) / pieces,
           n * static_cast<std::size_t>(last) / pieces);
    });
  };
  pieces_of(panels_.size(), [&](std::size_t from, std::size_t to) {
    std::fill(panels_.data() + from, panels_.data() + to, 0.0);
  });
  const double* value = lower.valuePtr();
  pieces_of(entry_.size(), [&](std::size_t from, std::size_t to) {
    for (std::size_t k = from; k < to; ++k) panels_[entry_[k]] += value[k];
  });
  std::atomic<bool> good = true;
  std::atomic<std::size_t> next = 0;
  const int crew = std::min<int>(threads, static_cast<int>(apart_.size()));
  in_parallel(crew, crew, [&](int, int) {
    for (std::size_t t = next++; t < apart_.size(); t = next++)
      for (const int k : apart_[t])
        if (!factor_node(k, 1)) good = false;
  });
  for (const int k : above_)
    if (good && !factor_node(k, threads)) good = false;
  return good;
}

Eigen::VectorXd SparseCholesky::solve(const Eigen::VectorXd& right) const {
  const auto pairs = static_cast<Eigen::Index>(place_.size());
  Eigen::VectorXd x(2 * pairs);
  for (Eigen::Index k = 0; k < pairs; ++k)
    x.segment<2>(2 * place_[static_cast<std::size_t>(k)]) = right.segment<2>(2 * k);
  for (const Node& node : nodes_) {
    const ConstPanel panel(panels_.data() + node.panel, node.rows(), node.columns);
    auto own = x.segment(node.first, node.columns);
    panel.topRows(node.columns).triangularView<Eigen::Lower>().solveInPlace(own);
    // (Made anew each time: where there is no memory for a larger size, a resized vector of Eigen
    // is freed twice.)
    const Eigen::VectorXd part = panel.bottomRows(node.rows() - node.columns) * own;
    for (std::size_t i = 0; i < node.below.size(); ++i)
      x.segment<2>(2 * node.below[i]) -= part.segment<2>(2 * static_cast<Eigen::Index>(i));
  }
  for (std::size_t k = nodes_.size(); k-- > 0;) {
    const Node& node = nodes_[k];
    const ConstPanel panel(panels_.data() + node.panel, node.rows(), node.columns);
    auto own = x.segment(node.first, node.columns);
    Eigen::VectorXd part(node.rows() - node.columns);
    for (std::size_t i = 0; i < node.below.size(); ++i)
      part.segment<2>(2 * static_cast<Eigen::Index>(i)) = x.segment<2>(2 * node.below[i]);
    own.noalias() -= panel.bottomRows(part.size()).transpose() * part;
    panel.topRows(node.columns).triangularView<Eigen::Lower>().transpose().solveInPlace(own);
  }
  Eigen::VectorXd answer(2 * pairs);
  for (Eigen::Index k = 0; k < pairs; ++k)
    answer.segment<2>(2 * k) = x.segment<2>(2 * place_[static_cast<std::size_t>(k)]);
  return answer;
}

double SparseCholesky::log_det() const {
  double sum = 0;
  for (const Node& node : nodes_) {
    const ConstPanel panel(panels_.data() + node.panel, node.rows(), node.columns);
    sum += panel.topRows(node.columns).diagonal().array().log().sum();
  }
  return 2 * sum;
}

struct SparseCholesky::Scratch {
  using Rows = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;
  Rows x;  // two columns a form
  std::vector<char> reached;
};

// With P A P^T = L L^T the answer is X^T X for L X = P B. B has few rows, and X only those of
// their ancestors in the tree (Davis, Direct Methods for Sparse Linear Systems, 2006, section 3.4).
void SparseCholesky::variances_of_lot(std::span<const Form> forms,
                                      Scratch& scratch,
                                      cv::Matx22d* out) const {
  auto& [x, reached] = scratch;
  std::size_t lowest = nodes_.size();
  for (std::size_t f = 0; f < forms.size(); ++f) {
    out[f] = {};
    for (const Term& term : forms[f]) {
      const int at = place_[static_cast<std::size_t>(term.pair)];
      const auto col = 2 * static_cast<Eigen::Index>(f);
      x(2 * at, col) += term.weight;
      x(2 * at + 1, col + 1) += term.weight;
      const auto node = static_cast<std::size_t>(node_of_[static_cast<std::size_t>(at)]);
      reached[node] = 1;
      lowest = std::min(lowest, node);
    }
  }
  for (std::size_t k = lowest; k < nodes_.size(); ++k) {
    if (!reached[k]) continue;
    const Node& node = nodes_[k];
    const ConstPanel panel(panels_.data() + node.panel, node.rows(), node.columns);
    auto own = x.middleRows(node.first, node.columns);
    panel.topRows(node.columns).triangularView<Eigen::Lower>().solveInPlace(own);
    for (std::size_t f = 0; f < forms.size(); ++f) {
      const auto form = own.middleCols<2>(2 * static_cast<Eigen::Index>(f));
      const Eigen::Matrix2d c = form.transpose() * form;
      out[f] += cv::Matx22d{c(0, 0), c(0, 1), c(1, 0), c(1, 1)};
    }
    const Scratch::Rows part = panel.bottomRows(node.rows() - node.columns) * own;
    for (std::size_t i = 0; i < node.below.size(); ++i)
      x.middleRows<2>(2 * node.below[i]) -= part.middleRows<2>(2 * static_cast<Eigen::Index>(i));
    own.setZero();
    reached[k] = 0;
    if (node.parent >= 0) reached[static_cast<std::size_t>(node.parent)] = 1;
  }
}

std::vector<cv::Matx22d> SparseCholesky::variances_of(std::span<const Form> forms,
                                                      int threads) const {
  std::vector<cv::Matx22d> all(forms.size());
  const int lots = (static_cast<int>(forms.size()) + kLot - 1) / kLot;
  in_parallel(lots, threads, [&](int first, int last) {
    Scratch scratch;
    scratch.x.setZero(2 * static_cast<Eigen::Index>(place_.size()), 2 * kLot);
    scratch.reached.assign(nodes_.size(), 0);
    for (int lot = first; lot < last; ++lot) {
      const auto from = static_cast<std::size_t>(lot) * kLot;
      const auto some = forms.subspan(from, std::min<std::size_t>(kLot, forms.size() - from));
      variances_of_lot(some, scratch, all.data() + from);
    }
  });
  return all;
}

}  // namespace rebite::align
