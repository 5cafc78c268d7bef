#include "jobs/plan_inputs.h"

#include <gtest/gtest.h>

namespace rebite::jobs {
namespace {

constexpr const char* head = R"({"format":"rebite-edit","version":1,"regions":)";

TEST(Edits, ReadsActionTargetAndMinutes) {
  const auto edits = edits_from_json(
      std::string(head) +
          R"([{"id":3,"action":"hold"},{"at_mm":[40,20],"density":0.8,"minutes":2.5}]})",
      "edit.json");
  ASSERT_TRUE(edits) << edits.error().what;
  ASSERT_EQ(edits->size(), 2U);
  EXPECT_EQ((*edits)[0].edit.action, plan::Action::hold);
  EXPECT_DOUBLE_EQ((*edits)[1].edit.minutes->in_minutes(), 2.5);
}

TEST(Edits, RefusesWithTheFileAndTheReason) {
  for (const char* list : {R"([{"id":3}]})",
                           R"([{"action":"hold"}]})",
                           R"([{"id":0,"minutes":1}]})",
                           R"([{"id":3,"action":"polish"}]})",
                           R"([{"id":3,"minutes":-1}]})",
                           R"([{"id":3,"minutes":1e308}]})",
                           R"([{"id":3,"minuts":1}]})",
                           R"([3]})",
                           R"({"id":3}})",
                           R"([{"id":"3","minutes":1}]})",
                           R"([{"at_mm":[1],"minutes":1}]})"}) {
    const auto edits = edits_from_json(std::string(head) + list, "edit.json");
    ASSERT_FALSE(edits) << list;
    EXPECT_EQ(edits.error().kind, ProblemKind::data);
    EXPECT_TRUE(edits.error().what.starts_with("edit.json")) << edits.error().what;
  }
  EXPECT_FALSE(edits_from_json("not json", "edit.json"));
  EXPECT_FALSE(edits_from_json("{}", "edit.json"));
  EXPECT_FALSE(edits_from_json(std::string(200000, '['), "edit.json"));
}

TEST(Edits, APlaceWinsOverANumberAndUnknownOnesAreNoted) {
  cv::Mat1w labels(20, 30, std::uint16_t{0});
  labels(cv::Rect(10, 5, 5, 5)) = 2;
  const align::PlateGrid grid{{30, 20}, 1};
  Notes notes;
  RegionEdit by_place{1, PlateMm{12, 7}, {}};
  RegionEdit unknown{9, std::nullopt, {}};
  const auto found = edits_for({by_place, unknown}, labels, grid, notes);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_EQ(found.begin()->first, 2);
  EXPECT_EQ(notes.size(), 1U);
}

// It once said "no region of this plan", which helped nobody.
TEST(Edits, OnHeldMetalSaysWhyNotAndWhatToDo) {
  const cv::Mat1w labels(20, 30, std::uint16_t{0});
  Notes notes;
  EXPECT_TRUE(edits_for({{0, PlateMm{12, 7}, {}}}, labels, {{30, 20}, 1}, notes).empty());
  ASSERT_EQ(notes.size(), 1U);
  EXPECT_NE(notes[0].find("at 12, 7 mm the plate is held"), std::string::npos) << notes[0];
  EXPECT_NE(notes[0].find("paint its shape on the drawing"), std::string::npos) << notes[0];
}

// The second entry once replaced the first: the density was forgotten without a word.
TEST(Edits, EntriesForOneRegionAddUp) {
  const cv::Mat1w labels(20, 30, std::uint16_t{2});
  Notes notes;
  RegionEdit density{2, std::nullopt, {}}, minutes{2, std::nullopt, {}};
  density.edit.target = Density::of(0.9);
  minutes.edit.minutes = BiteTime::minutes(2);
  const auto found = edits_for({density, minutes}, labels, {{30, 20}, 1}, notes);
  ASSERT_EQ(found.size(), 1U);
  EXPECT_EQ(found.at(2).target, Density::of(0.9));
  EXPECT_EQ(found.at(2).minutes, BiteTime::minutes(2));
  EXPECT_TRUE(notes.empty());
}

TEST(Edits, ThatContradictEachOtherAreTold) {
  const cv::Mat1w labels(20, 30, std::uint16_t{2});
  Notes notes;
  RegionEdit first{2, std::nullopt, {}}, second{2, std::nullopt, {}};
  first.edit.target = Density::of(0.7);
  second.edit.target = Density::of(0.9);
  const auto found = edits_for({first, second}, labels, {{30, 20}, 1}, notes);
  EXPECT_EQ(found.at(2).target, Density::of(0.9));
  ASSERT_EQ(notes.size(), 1U);
  EXPECT_NE(notes.front().find("region 2 say different things"), std::string::npos);
}

}  // namespace
}  // namespace rebite::jobs
