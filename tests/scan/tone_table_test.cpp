// Codes to reflectance, sample by sample, for what whole scans seldom hold.
#include "scan/tone_table.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

namespace rebite::scan {
namespace {

FileFacts facts_of(int bits, int channels) {
  FileFacts facts;
  facts.bits = bits;
  facts.channels = channels;
  return facts;
}

template <class T>
std::vector<float> converted(const ToneTable& table, const std::vector<T>& samples, int channels) {
  Block block;
  block.width = static_cast<int>(samples.size()) / channels;
  block.height = 1;
  block.samples = samples.data();
  block.pixel_stride = channels;
  std::vector<float> out(static_cast<std::size_t>(block.width));
  table.convert(block, 0, out.data());
  return out;
}

// Weights and exponent of a wide-gamut colour space (from memory; any three that add up to one do).
TEST(ToneTable, PrimariesOfTheFileWeighItsChannels) {
  FileFacts facts = facts_of(8, 3);
  facts.file_gamma = 1 / 2.19921875;
  facts.weights = {0.29734, 0.62736, 0.07530};
  const auto table = ToneTable::make(facts, nullptr);
  EXPECT_EQ(table.source(), ToneSource::file_gamma);
  const auto out = converted<std::uint8_t>(table, {255, 0, 0, 0, 255, 0, 128, 128, 128}, 3);
  EXPECT_NEAR(out[0], 0.29734, 1e-6);
  EXPECT_NEAR(out[1], 0.62736, 1e-6);
  EXPECT_NEAR(out[2], std::pow(128 / 255.0, 2.19921875), 1e-4);
  // Also where the file says nothing of its gamma.
  facts.file_gamma = 0;
  const auto guessed = ToneTable::make(facts, nullptr);
  EXPECT_EQ(guessed.source(), ToneSource::srgb_assumed);
  EXPECT_NEAR(converted<std::uint8_t>(guessed, {255, 0, 0}, 3)[0], 0.29734, 1e-6);
}

TEST(ToneTable, AGammaThatNoScannerWritesIsNotFollowed) {
  for (const double gamma : {0.1, 10.0}) {
    FileFacts facts = facts_of(16, 1);
    facts.file_gamma = gamma;
    const auto table = ToneTable::make(facts, nullptr);
    EXPECT_EQ(table.source(), ToneSource::srgb_assumed) << gamma;
    ASSERT_FALSE(table.notes().empty());
    EXPECT_THAT(table.notes()[0], testing::HasSubstr("which no scanner writes"));
    const float middle = converted<std::uint16_t>(table, {32768}, 1)[0];
    EXPECT_NEAR(middle, srgb_to_linear(32768 / 65535.0), 1e-6);
  }
}

// A curve is of the luminance-weighted code, in every depth and number of channels.
TEST(ToneTable, AScannerCurveIsFollowedInEveryLayout) {
  ScannerCurve scanner;
  for (int i = 0; i <= 10; ++i) {
    scanner.code.push_back(i / 10.0);
    scanner.reflectance.push_back(0.01 * std::pow(90, i / 10.0));  // straight in density
  }
  scanner.bits = 16;
  const auto wanted = [](double code) { return 0.01 * std::pow(90, code); };
  const double of_colours = (0.2126 * 51 + 0.7152 * 102 + 0.0722 * 204) / 255;
  const auto table = [&](int bits, int channels) {
    return ToneTable::make(facts_of(bits, channels), &scanner);
  };
  EXPECT_NEAR(converted<std::uint8_t>(table(8, 1), {51}, 1)[0], wanted(0.2), 2e-5);
  EXPECT_NEAR(converted<std::uint16_t>(table(16, 1), {13107}, 1)[0], wanted(0.2), 2e-5);
  EXPECT_NEAR(converted<std::uint8_t>(table(8, 3), {51, 102, 204}, 3)[0], wanted(of_colours), 2e-5);
  EXPECT_NEAR(converted<std::uint16_t>(table(16, 3), {13107, 26214, 52428}, 3)[0],
              wanted(of_colours),
              2e-5);
}

// What is carried on beyond the grey scale is darks: paper and what is lighter have no part in it.
TEST(ToneDoubt, PaperHasNoneOfTheDarksDoubt) {
  ToneDoubt doubt;
  doubt.carried_on = 0.003;
  EXPECT_EQ(doubt.carried_sd(Density::of(0)), 0);
  EXPECT_EQ(doubt.carried_sd(Density::of(-0.02)), 0);
  EXPECT_GT(doubt.carried_sd(Density::of(2)), doubt.carried_sd(Density::of(1)));
}

}  // namespace
}  // namespace rebite::scan
