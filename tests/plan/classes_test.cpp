// The dynamic programme behind the stages, against published classes.
#include "plan/classes.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>
#include <numeric>

#include "plan/chain.h"
#include "tests/support/chance.h"
#include "tests/support/outside_data.h"

namespace rebite::plan {
namespace {

using ::testing::ElementsAre;
using ::testing::ElementsAreArray;

struct Published {
  int k;
  double within, fit;
  std::vector<int> counts;
  std::vector<double> maxima;
};

// Jenks & Caspall, Annals of the AAG 61(2) (1971) 217-244: the 102 values. The optimal classes are
// those on which three independent programs agree (checks.md D: R classInt 0.4-9 "fisher", npm
// simple-statistics 7.12.1 ckmeans, and a dynamic programme written for the check).
TEST(Classes, Jenks71) {
  const auto path = maker::outside_data("tables/jenks71.txt");
  REBITE_NEEDS_OUTSIDE_DATA(path);
  std::ifstream file(path);
  std::vector<double> values;
  for (double v = 0; file >> v;) values.push_back(v);
  ASSERT_EQ(values.size(), 102u);
  ASSERT_NEAR(std::accumulate(values.begin(), values.end(), 0.0), 5740.5, 1e-6);
  const std::vector<Published> table = {
      {2, 25252.42230534, 0.611927564903, {73, 29}, {64.28, 155.3}},
      {3, 12217.86290585, 0.812239168495, {37, 51, 14}, {46.13, 80.45, 155.3}},
      {4, 6137.97094911, 0.905673313080, {35, 43, 19, 5}, {41.2, 68.45, 100.1, 155.3}},
      {5, 4466.76177362, 0.931356006266, {35, 33, 18, 11, 5}, {41.2, 60.66, 77.29, 100.1, 155.3}},
      {6,
       3270.81000105,
       0.949735071491,
       {10, 25, 33, 18, 11, 5},
       {28.71, 41.2, 60.66, 77.29, 100.1, 155.3}},
      {7,
       2268.28200105,
       0.965141652195,
       {10, 25, 33, 18, 11, 4, 1},
       {28.71, 41.2, 60.66, 77.29, 100.1, 131.5, 155.3}},
  };
  for (const Published& p : table) {
    const auto classes = optimal_classes(values, {}, p.k);
    ASSERT_TRUE(classes);
    EXPECT_NEAR(classes->within, p.within, 1e-6) << p.k;
    EXPECT_NEAR(classes->fit, p.fit, 1e-11) << p.k;
    EXPECT_THAT(classes->counts, ElementsAreArray(p.counts));
    EXPECT_THAT(classes->maxima, ElementsAreArray(p.maxima));
  }
  const auto five = optimal_classes(values, {}, 5);
  const double means[] = {31.872571, 53.596970, 69.265556, 88.598182, 126.98};
  for (std::size_t i = 0; i < 5; ++i) EXPECT_NEAR(five->means[i], means[i], 1e-6);
}

// The example of simple-statistics' documentation (checks.md D).
TEST(Classes, SmallPublishedCase) {
  const auto c = optimal_classes({-1, 2, -1, 2, 4, 5, 6, -1, 2, -1}, {}, 3);
  ASSERT_TRUE(c);
  EXPECT_THAT(c->counts, ElementsAre(4, 3, 3));
  EXPECT_THAT(c->maxima, ElementsAre(-1, 2, 6));
}

TEST(Classes, EdgeCases) {
  EXPECT_FALSE(optimal_classes({1, 2}, {}, 3));
  EXPECT_FALSE(optimal_classes({1, 2}, {}, 0));
  const auto equal = optimal_classes({5, 5, 5}, {}, 2);
  ASSERT_TRUE(equal);
  EXPECT_THAT(equal->counts, ElementsAre(3));
}

// A weight is that many equal values.
TEST(Classes, WeightsAreRepetitions) {
  maker::Chance chance(11);
  for (int run = 0; run < 100; ++run) {
    std::vector<double> values, weights, repeated;
    for (int i = 0; i < 6; ++i) {
      values.push_back(chance.uniform(0, 10));
      weights.push_back(1 + chance.below(4));
      for (int k = 0; k < static_cast<int>(weights.back()); ++k) repeated.push_back(values.back());
    }
    const auto a = optimal_classes(values, weights, 3), b = optimal_classes(repeated, {}, 3);
    EXPECT_NEAR(a->within, b->within, 1e-9);
    EXPECT_EQ(a->maxima, b->maxima);
  }
}

TEST(Chain, SaysWhereThereIsNoWay) {
  const auto chains = cheapest_chains(3, 3, [](int i, int j) { return j - i == 2 ? no_way : 1.0; });
  EXPECT_EQ(chains[0].cost, no_way);
  EXPECT_EQ(chains[1].cost, 2);
  EXPECT_THAT(chains[1].nodes, ElementsAre(0, 1, 2));
  EXPECT_EQ(chains[2].cost, no_way);
}

}  // namespace
}  // namespace rebite::plan
