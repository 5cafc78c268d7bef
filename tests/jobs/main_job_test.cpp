// The main job from scans to plan against the plate maker's truth (issue "the main job", must
// hold).
#include <gtest/gtest.h>

#include <cmath>
#include <map>

#include "jobs/align_scans.h"
#include "tests/jobs/studio.h"

namespace rebite::jobs {
namespace {

class MainJob : public ::testing::TestWithParam<StudioCase> {};

double rms_of_steps(const wedge::Batch& batch, const MadeStudio& made) {
  double sum = 0;
  for (std::size_t i = 0; i < batch.steps.size(); ++i) {
    const double off = batch.steps[i].density.value() - made.wedge_densities[i];
    sum += off * off;
  }
  return std::sqrt(sum / static_cast<double>(batch.steps.size()));
}

// p95 of the distance between where the alignment sends plate points and where they truly lie.
double true_p95_mm(const align::Alignment& a,
                   const MadeStudio& made,
                   SizeMm plate,
                   double px_per_mm) {
  std::vector<double> off;
  for (double y = 6; y < plate.height - 5; y += 4) {
    for (double x = 6; x < plate.width - 5; x += 4) {
      const cv::Point2d is = a.warp->drawing_from_proof(made.proof.px_from_plate({x, y}));
      const cv::Point2d should = made.drawing.px_from_plate({x, y});
      off.push_back(std::hypot(is.x - should.x, is.y - should.y) / px_per_mm);
    }
  }
  std::sort(off.begin(), off.end());
  return off[off.size() * 95 / 100];
}

// Grid points of one area that lie at least `inset` mm from its edge and off the line work.
std::vector<cv::Point> core_of(const maker::Scene& scene, int label, double inset_mm) {
  cv::Mat1b inside;
  cv::compare(scene.labels, label, inside, cv::CMP_EQ);
  std::vector<cv::Point> points;
  const int r = static_cast<int>(std::lround(inset_mm * scene.px_per_mm));
  for (int y = r; y < inside.rows - r; y += 2) {
    for (int x = r; x < inside.cols - r; x += 2) {
      if (inside(y, x) && inside(y - r, x) && inside(y + r, x) && inside(y, x - r) &&
          inside(y, x + r) && !scene.strokes(y, x)) {
        points.emplace_back(x, y);
      }
    }
  }
  return points;
}

struct Found {
  int region = 0;    // most frequent label over the area's core
  double share = 0;  // of the core
};
Found region_at(const std::vector<cv::Point>& core,
                const maker::Scene& scene,
                const tone::RegionMap& map) {
  std::map<int, int> votes;
  for (const auto& p : core) {
    const int col = std::min(map.labels.cols - 1,
                             static_cast<int>((p.x + 0.5) / scene.px_per_mm * map.grid.px_per_mm));
    const int row = std::min(map.labels.rows - 1,
                             static_cast<int>((p.y + 0.5) / scene.px_per_mm * map.grid.px_per_mm));
    ++votes[map.labels(row, col)];
  }
  Found best;
  for (const auto& [label, n] : votes) {
    const double share = n / static_cast<double>(core.size());
    if (share > best.share) best = {label, share};
  }
  return best;
}

const plan::PlannedRegion* planned(const plan::BitePlan& plan, int id) {
  for (const auto& r : plan.regions) {
    if (r.region.id == id) return &r;
  }
  return nullptr;
}

bool right_action(const plan::PlannedRegion* r, double gap) {
  if (!r) return false;
  using plan::Action;
  const bool darker = r->action == Action::bite || r->action == Action::beyond;
  const bool lighter = r->action == Action::burnish || r->action == Action::scrape;
  return r->action == Action::soft || (gap > 0 ? darker : lighter);
}

TEST_P(MainJob, RecoversTheTruth) {
  const StudioCase c = GetParam();
  const StudioFolder folder;
  const MadeStudio made = make_studio(c, folder);
  const auto batch = calibrate(c, made, folder);
  ASSERT_TRUE(batch) << batch.error().what;
  EXPECT_LT(rms_of_steps(*batch, made), 0.02) << "wedge densities, D rms";

  AlignRequest align;
  const PlanRequest request = plan_request(c, folder);
  align.proof = request.proof;
  align.drawing = request.drawing;
  align.plate = c.plate;
  align.read = request.read;
  const auto alignment = align_scans(align);
  ASSERT_TRUE(alignment) << alignment.error().what;
  EXPECT_LT(true_p95_mm(alignment->alignment, made, c.plate, made.proof.dpi / 25.4), 0.3);

  const auto report = plan_state(request);
  ASSERT_TRUE(report) << report.error().what;
  const auto& content = report->content;
  int areas = 0, held = 0, asked = 0;
  for (const auto& area : made.scene.areas) {
    const auto core = core_of(made.scene, area.label, 1.0);
    if (core.size() < 20) continue;
    if (area.across_mm > 10 && std::fabs(area.gap()) > 0.1) {
      ++areas;
      const auto found = region_at(core, made.scene, content.map);
      const auto* region = planned(content.plan, found.region);
      EXPECT_TRUE(right_action(region, area.gap()))
          << "area " << area.label << ", gap " << area.gap() << ", got "
          << (region ? plan::word(region->action) : "hold");
      const double truth = c.ground == plan::Ground::kept ? area.kept : area.fresh;
      if (region && region->action == plan::Action::bite && !area.soft && found.share > 0.6 &&
          std::isfinite(truth)) {
        const auto& m = *region->minutes;
        const double factor = m.best.in_minutes() / truth;
        // Over an old dark a factor of 1.5 is 0.04 D, no more than what wiping does: there the
        // stated interval must hold the truth.
        const bool held_by_interval =
            area.printed > 1 && m.low.in_minutes() <= truth && truth <= m.high.in_minutes();
        EXPECT_TRUE(held_by_interval || std::fabs(std::log2(factor)) < std::log2(1.5))
            << "area " << area.label << " minutes " << m.best.in_minutes() << " ("
            << m.low.in_minutes() << " to " << m.high.in_minutes() << ") truth " << truth << " from "
            << area.printed << " to " << area.wanted << ", read as "
            << region->region.now.value.value() << " to " << region->region.target.value.value();
      }
    }
    if (std::fabs(area.gap()) < 0.005 && !area.soft) {
      for (const auto& p : core) {
        ++asked;
        const auto one = region_at({p}, made.scene, content.map);
        held += one.region == 0;
      }
    }
  }
  EXPECT_GE(areas, 3) << "the scene has too few changed areas to test anything";
  ASSERT_GT(asked, 200);
  EXPECT_GE(held / static_cast<double>(asked), 0.97) << "untouched points that stay hold";
}

INSTANTIATE_TEST_SUITE_P(PlateMaker,
                         MainJob,
                         ::testing::Values(StudioCase{"fresh", 11},
                                           StudioCase{"kept", 12, plan::Ground::kept},
                                           StudioCase{
                                               "eight_bit_colour", 13, plan::Ground::fresh, 8, 3},
                                           StudioCase{"own_scanner_curve_turned_91",
                                                      14,
                                                      plan::Ground::fresh,
                                                      16,
                                                      1,
                                                      maker::ScannerTone::contrasty,
                                                      91},
                                           StudioCase{"kept_gamma_turned_179",
                                                      15,
                                                      plan::Ground::kept,
                                                      16,
                                                      1,
                                                      maker::ScannerTone::gamma18,
                                                      179}),
                         [](const auto& test) { return test.param.name; });

}  // namespace
}  // namespace rebite::jobs
