// plan.json holds every key of interface.md with its type and meaning.
#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <nlohmann/json.hpp>

#include "sheets/sheets.h"
#include "tests/sheets/made_content.h"

namespace rebite::sheets {
namespace {

using Json = nlohmann::json;

void expect_keys(const Json& j, const std::vector<std::pair<const char*, Json::value_t>>& keys) {
  for (const auto& [key, type] : keys) {
    ASSERT_TRUE(j.contains(key)) << key;
    if (type == Json::value_t::number_float) {
      EXPECT_TRUE(j[key].is_number()) << key;
    } else if (type == Json::value_t::number_integer) {
      EXPECT_TRUE(j[key].is_number_integer()) << key;
    } else {
      EXPECT_EQ(j[key].type(), type) << key;
    }
  }
}

constexpr auto number = Json::value_t::number_float;
constexpr auto whole = Json::value_t::number_integer;
constexpr auto text = Json::value_t::string;
constexpr auto list = Json::value_t::array;
constexpr auto object = Json::value_t::object;
constexpr auto boolean = Json::value_t::boolean;

TEST(PlanJson, HasEveryKeyOfTheInterface) {
  const auto c = maker::made_content();
  const Json j = Json::parse(plan_json(c));
  EXPECT_EQ(j["format"], "rebite-plan");
  EXPECT_EQ(j["version"], 1);
  expect_keys(j,
              {{"plate", object},
               {"ground", text},
               {"batch", text},
               {"alignment", object},
               {"inking", object},
               {"map", object},
               {"regions", list},
               {"stages", list},
               {"lower_first", list},
               {"outlook", object},
               {"notes", list},
               {"cautions", list}});
  expect_keys(j["plate"], {{"width_mm", number}, {"height_mm", number}});
  EXPECT_EQ(j["ground"], "fresh");
  expect_keys(j["alignment"],
              {{"format", text},
               {"version", whole},
               {"mirrored", boolean},
               {"rotation_deg", number},
               {"scale_x", number},
               {"scale_y", number},
               {"error_mm", object},
               {"confidence", number},
               {"plate_found", boolean},
               {"notes", list}});
  EXPECT_FALSE(j["alignment"].contains("points"));
  expect_keys(j["alignment"]["error_mm"], {{"median", number}, {"p95", number}});
  expect_keys(j["inking"],
              {{"offset_density", number}, {"gain", number}, {"noise_density", number}});
  EXPECT_EQ(j["map"]["file"], "regions.png");
  EXPECT_EQ(j["map"]["view"], "print");
  EXPECT_EQ(j["map"]["px_per_mm"], 4.0);
  expect_keys(j["outlook"], {{"mean_gap_before", number}, {"mean_gap_after", number}});
}

TEST(PlanJson, RegionsAndStagesCarryTheContentsNumbers) {
  const auto c = maker::made_content();
  const Json j = Json::parse(plan_json(c));
  ASSERT_EQ(j["regions"].size(), c.plan.regions.size());
  for (std::size_t i = 0; i < c.plan.regions.size(); ++i) {
    const auto& r = c.plan.regions[i];
    const Json& w = j["regions"][i];
    expect_keys(w,
                {{"id", whole},
                 {"action", text},
                 {"area_mm2", number},
                 {"centre_mm", list},
                 {"density_now", number},
                 {"density_target", number},
                 {"density_gap", number},
                 {"density_gap_sd", number},
                 {"stage", whole},
                 {"notes", list}});
    EXPECT_EQ(w["id"], r.region.id);
    EXPECT_EQ(w["action"], plan::word(r.action));
    EXPECT_NEAR(w["density_gap"].get<double>(), r.region.gap.value(), 1e-5);
    EXPECT_NEAR(w["area_mm2"].get<double>(), r.region.area_mm2, 1e-3);
    EXPECT_EQ(w["centre_mm"].size(), 2U);
    EXPECT_EQ(w["stage"], r.stage);
    ASSERT_EQ(w.contains("minutes"), r.minutes.has_value());
    if (!r.minutes) continue;
    expect_keys(w["minutes"],
                {{"low", number}, {"best", number}, {"high", number}, {"advised", number}});
    EXPECT_NEAR(w["minutes"]["advised"].get<double>(), r.minutes->advised.in_minutes(), 1e-6);
    EXPECT_LE(w["minutes"]["low"].get<double>(), w["minutes"]["best"].get<double>());
    EXPECT_LE(w["minutes"]["best"].get<double>(), w["minutes"]["high"].get<double>());
  }
  double total = 0;
  ASSERT_EQ(j["stages"].size(), c.plan.stages.size());
  for (const Json& s : j["stages"]) {
    expect_keys(s,
                {{"stage", whole},
                 {"dip_minutes", number},
                 {"total_minutes", number},
                 {"stop_out_before", list},
                 {"still_open", list}});
    total += s["dip_minutes"].get<double>();
    EXPECT_NEAR(s["total_minutes"].get<double>(), total, 5e-6);
  }
  EXPECT_EQ(j["lower_first"].get<std::vector<int>>(), c.plan.lower_first);
}

TEST(PlanJson, SameContentSameBytesAndNothingWithoutAWedge) {
  const auto c = maker::made_content();
  EXPECT_TRUE(plan_json(c) == plan_json(c));
  const Json beside = Json::parse(plan_json(c, {{"map.svg", "0000c0de"}}));
  EXPECT_EQ(beside["files"], Json::parse(R"([{"name":"map.svg","crc32":"0000c0de"}])"));
  const Json bare = Json::parse(plan_json(maker::without_batch(c)));
  EXPECT_TRUE(bare["batch"].is_null());
  EXPECT_TRUE(bare["stages"].empty());
  for (const Json& r : bare["regions"]) EXPECT_FALSE(r.contains("minutes"));
  const Json none = Json::parse(plan_json(maker::made_no_work()));
  EXPECT_TRUE(none["regions"].is_array());
  EXPECT_TRUE(none["lower_first"].is_array());
}

TEST(PlanJson, NeverWritesANumberThatIsNone) {
  for (const double bad : {std::nan(""), std::numeric_limits<double>::infinity()}) {
    auto c = maker::made_content();
    c.plan.regions[3].region.gap_sd = bad;
    EXPECT_THROW(plan_json(c), std::domain_error);
    c = maker::made_content();
    c.alignment.error_p95_mm = bad;
    EXPECT_THROW(plan_json(c), std::domain_error);
    c = maker::made_content();
    c.plan.outlook.mean_gap_after = bad;
    EXPECT_THROW(plan_json(c), std::domain_error);
  }
}

TEST(PlanJson, ANameThatIsNoUtf8DoesNotBreakIt) {
  auto c = maker::made_content();
  c.proof_file = "lock-\xff.tif";
  EXPECT_NO_THROW({ EXPECT_FALSE(Json::parse(plan_json(c))["proof"].get<std::string>().empty()); });
}

}  // namespace
}  // namespace rebite::sheets
