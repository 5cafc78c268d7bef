// The batch's speed over its life.
//
// Model: the logarithm of the speed (a factor on time) walks at random from use to use, and each
// state shows it with an error (the local level model: Durbin & Koopman, Time Series Analysis by
// State Space Methods, 2nd ed. 2012, chapter 2; updated by the Kalman filter):
//   x_0 = 0 +- 0.05                 the wedge was bitten in this very batch
//   x_k = x_(k-1) + N(0, q_k)       q_k = g^2 (0.03^2 + (0.20 e^(-k/2))^2) + (0.004 days)^2, k uses
//   y_k = x_k + N(0, r_k)           r_k = evidence^2 + temperature^2 + 0.02^2
// The steps: 1-2 % per plate is derived from the copper that a plate gives up (trade figures); a
// fresh bath runs in fast and then levels (six plates in a published trial); the day's share is the
// plan's own (plan/conditions.cpp). How restless this very batch is (g: 1 as in those figures) is
// not known beforehand and is learned from its own states: one filter for each of four g from a
// bath that stands still to one twice as restless, equally likely at first, each weighed by how
// well it foretold every state (the multiple model filter: Magill 1965, IEEE Trans. Automatic
// Control AC-10:434), and mixed by mean and variance. A state that lies more than 2.5 standard
// deviations off is taken at 2.5 (Huber), in the weights too: one wrong sheet cannot carry the
// speed away, two in a row do.
//
// An overlap of fresh grounds that strays from the rule (wedge::OverlapRule) acts on the minutes of
// all fresh bites almost alike, so that states on fresh grounds cannot tell it from the speed, and
// need not: the learned speed holds it. What the next plan must still doubt of it is what the
// states left of it (as prior and measurements combine: precisions add) and by how much regions
// answer to it differently.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "book/evidence.h"

namespace rebite::book {

// Of the ln speed before anything was bitten but the wedge.
inline constexpr double wedge_ln_sd = 0.05;

// A scalar local level and its Kalman filter.
struct Level {
  double mean = 0;
  double variance = 0;

  void step(double q) { variance += q; }
  struct Innovation {
    double value = 0;     // y - mean
    double variance = 0;  // of it
    double used = 1;      // share of the innovation that was taken
  };
  // Huber's bound in standard deviations; infinite: the plain filter.
  Innovation update(double y, double r, double most);
};

// Filters of batches that are restless to different degrees, mixed.
class MixedLevel {
 public:
  explicit MixedLevel(double variance);  // of the level before anything is seen; mean 0

  // `restless`: variance of the walk that is scaled by each filter; `idle`: that all share.
  void step(double restless, double idle);
  // Whether y lay within `most` standard deviations of what was expected.
  bool update(double y, double r, double most);
  double mean() const;
  double variance() const;

 private:
  struct One {
    double scale = 1;  // g
    double ln_weight = 0;
    Level level;
  };
  std::vector<double> weights() const;  // sum 1
  std::vector<One> all_;
};

// One use of the batch in its life.
struct SpeedStep {
  std::string plate, date;
  int state = 0;
  int use = 0;                            // 0 the first
  double used_speed = 1;                  // that the plan was made with
  double expected = 0, expected_sd = 0;   // ln speed before this state was seen
  std::optional<StateEvidence> evidence;  // none: nothing compared yet
  double measured_sd = 0;                 // of the evidence, with temperature and floor
  double after = 0, after_sd = 0;         // ln speed, updated
  bool unexpected = false;                // more than 2.5 sd off
  bool as_planned = false;                // minutes of the plan, no bites were recorded
  double temperature_factor = 1;
  double copper_g = 0, copper_sum_g = 0;
};

struct SpeedHistory {
  std::vector<SpeedStep> steps;
  double speed = 1, ln_sd = 0;  // for the next plan
  double overlap_share = 1;     // of OverlapRule::sd, still in doubt on a fresh ground
  int compared = 0;             // states that told something
  double slope = 0, slope_sd = 0;
  bool new_wedge = false;  // the curve itself has changed: multiplying no longer helps
  Notes notes;
  std::optional<double> copper_g_l;
};

// `uses` in order; all with the same wedge (after a new wedge the speed starts at 1 again, so give
// only the uses of the latest one). `next_date` empty: as the last use. Nothing compared: speed 1,
// ln_sd 0, so that a plan without any experience is the plan of the wedge.
SpeedHistory learn(const std::vector<BatchUse>& uses,
                   const wedge::Batch& batch,
                   std::optional<double> volume_l,
                   const std::string& next_date = {});

// Days between two ISO dates; 0 when either is none.
double days_between(const std::string& from, const std::string& to);

}  // namespace rebite::book
