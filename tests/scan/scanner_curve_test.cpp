// The scanner's own curve from a scanned grey scale, against the plate maker's truth.
#include "scan/scanner_curve.h"

#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <fstream>
#include <limits>
#include <nlohmann/json.hpp>
#include <numeric>
#include <opencv2/imgproc.hpp>

#include "scan/find_greys.h"
#include "scan/grey_fit.h"
#include "scan/read_scan.h"
#include "scan/spot.h"
#include "scan/tone_table.h"
#include "tests/scan/made_files.h"
#include "tests/support/plate_maker.h"

namespace rebite::scan {
namespace {

using made::Folder;
using maker::ScannerTone;
using testing::HasSubstr;

// A10: an 11-step gamma-0.45 camera grey scale as published: density and per cent reflectance.
const std::vector<double> camera_11{
    0.05, 0.13, 0.22, 0.32, 0.43, 0.55, 0.69, 0.88, 1.06, 1.31, 1.65};
const std::vector<double> camera_11_percent{89, 74, 60, 48, 37, 28, 20, 13, 8, 5, 2};

maker::Scanner plain_scanner() {
  maker::Scanner s;
  s.dpi = 120;
  s.channels = 1;
  s.flare = 0.004;
  return s;
}

Result<ScannerCurve> measured(const maker::MadeScan& scan,
                              const std::vector<double>& densities,
                              const Folder& folder) {
  const auto file = folder / "grey.tif";
  maker::write_scan(scan, file.string());
  return measure_scanner(file, {densities, 0});
}

TEST(GreyScales, A10PublishedTableAgreesWithItself) {
  for (std::size_t i = 0; i < camera_11.size(); ++i) {
    EXPECT_NEAR(100 * Density::of(camera_11[i]).reflectance(), camera_11_percent[i], 1.0);
  }
}

TEST(GreyScales, CalibrationFileIsSound) {
  std::ifstream in(std::string(REBITE_SOURCE_DIR) + "/calibration/grey-scales.json");
  const auto j = nlohmann::json::parse(in);
  EXPECT_EQ(j.at("format"), "rebite-grey-scales");
  bool camera = false;
  for (const auto& scale : j.at("scales")) {
    const auto d = scale.at("densities").get<std::vector<double>>();
    EXPECT_GE(d.size(), 5U);
    EXPECT_TRUE(std::is_sorted(d.begin(), d.end())) << scale.at("name");
    EXPECT_FALSE(scale.at("source").get<std::string>().empty());
    camera = camera || d == camera_11;
  }
  EXPECT_TRUE(camera);
}

// Unsharp masking leaves a halo along the patches' borders; a scan head only blurs.
TEST(GreyScales, SharpeningIsTold) {
  const Folder folder;
  for (const double turn : {0.0, 7.0}) {
    for (const double gap : {0.0, 1.5}) {
      maker::Scanner scanner = plain_scanner();
      scanner.turn_deg = turn;
      maker::MadeScan scan = maker::grey_scale(camera_11, {9, 12}, scanner, gap);
      const auto plain = measured(scan, camera_11, folder);
      ASSERT_TRUE(plain) << plain.error().what;
      EXPECT_THAT(plain->notes, testing::Not(testing::Contains(HasSubstr("sharpen"))))
          << turn << ' ' << gap;
      if (gap > 0) continue;  // card between the patches hides the halo's light side
      cv::Mat soft;
      cv::GaussianBlur(scan.codes, soft, {}, 2);
      cv::addWeighted(scan.codes, 1.6, soft, -0.6, 0, scan.codes);
      const auto sharp = measured(scan, camera_11, folder);
      ASSERT_TRUE(sharp) << sharp.error().what;
      EXPECT_THAT(sharp->notes, testing::Contains(HasSubstr("Switch off sharpening"))) << turn;
    }
  }
}

struct ScaleCase {
  double turn, gap;
  ScannerTone tone;
  int bits;
};

class GreyScale : public testing::TestWithParam<ScaleCase> {};

// Any turn, touching or apart, any tone of the scanner: the patches' densities come back.
TEST_P(GreyScale, IsFoundAndFollowed) {
  const ScaleCase c = GetParam();
  const Folder folder;
  maker::Scanner s = plain_scanner();
  s.turn_deg = c.turn;
  s.tone = c.tone;
  s.bits = c.bits;
  const auto made = maker::grey_scale(camera_11, {9, 14}, s, c.gap);
  const auto curve = measured(made, camera_11, folder);
  ASSERT_TRUE(curve) << curve.error().what;
  ASSERT_EQ(curve->patches.size(), camera_11.size());
  const double allowed = c.bits == 16 ? 0.003 : 0.012;
  for (const GreyPatch& p : curve->patches) {
    EXPECT_LT(std::abs(p.residual), allowed) << "at D " << p.density.value();
    EXPECT_NEAR(-std::log10(curve->reflectance_of(p.code)), p.density.value(), allowed);
  }
  EXPECT_LT(curve->residual_sd, allowed);
  EXPECT_EQ(curve->bits, c.bits);
  if (c.bits == 16 && c.tone != ScannerTone::contrasty) {
    EXPECT_NEAR(curve->flare, 0.004, 0.001);
  }
}

INSTANTIATE_TEST_SUITE_P(Cases,
                         GreyScale,
                         testing::Values(ScaleCase{0, 0, ScannerTone::srgb, 16},
                                         ScaleCase{0, 2, ScannerTone::linear, 16},
                                         ScaleCase{3, 0, ScannerTone::gamma18, 16},
                                         ScaleCase{45, 3, ScannerTone::srgb, 16},
                                         ScaleCase{91, 0, ScannerTone::contrasty, 16},
                                         ScaleCase{179, 1, ScannerTone::srgb, 8},
                                         ScaleCase{-120, 0, ScannerTone::linear, 8}));

TEST(GreyScaleOrder, EitherDirectionAndManyPatches) {
  const Folder folder;
  std::vector<double> d;
  for (int i = 0; i < 40; ++i) d.push_back(0.06 + 0.045 * i);
  const auto made = maker::grey_scale(d, {6, 12}, plain_scanner());
  std::vector<double> reversed(d.rbegin(), d.rend());
  const auto one = measured(made, d, folder), two = measured(made, reversed, folder);
  ASSERT_TRUE(one) << one.error().what;
  ASSERT_TRUE(two) << two.error().what;
  EXPECT_EQ(one->reflectance, two->reflectance);
  EXPECT_EQ(one->patches.front().code, two->patches.back().code);
  const auto five =
      measured(maker::grey_scale({0.1, 0.4, 0.7, 1.0, 1.4}, {12, 12}, plain_scanner()),
               {1.4, 1.0, 0.7, 0.4, 0.1},
               folder);
  EXPECT_TRUE(five) << five.error().what;
}

// +-8 % of light over the platen: seen on the card beside the patches and taken out. What is left
// of it is a constant that paper white takes away.
TEST(GreyScaleLight, UnevenLightIsSeenOnTheCard) {
  const Folder folder;
  for (const std::uint64_t seed : {1U, 7U, 8U}) {  // the three with most light change of eight
    maker::Scanner s = plain_scanner();
    s.flare = 0;
    s.seed = seed;
    s.turn_deg = double(seed) * 37;
    s.uneven_light = 0.08;
    const auto curve = measured(maker::grey_scale(camera_11, {14, 18}, s), camera_11, folder);
    ASSERT_TRUE(curve) << curve.error().what;
    std::vector<double> off;
    for (int i = 0; i <= 100; ++i) {
      const double d = 0.06 + i * 0.0155;
      const double code = linear_to_srgb(std::pow(10, -d));
      off.push_back(-std::log10(curve->reflectance_of(code)) - d);
    }
    const double mean = std::accumulate(off.begin(), off.end(), 0.0) / double(off.size());
    for (const double o : off) EXPECT_NEAR(o - mean, 0, 0.008);
    std::string text;
    for (const auto& n : curve->notes) text += n + "\n";
    EXPECT_THAT(text, HasSubstr("The light changes by"));
  }
}

// Printed figures below the patches, a frame round the card, a dark cloth round everything.
TEST(GreyScaleCard, FiguresFramesAndADarkCloth) {
  const Folder folder;
  const auto plain = maker::grey_scale(camera_11, {9, 14}, plain_scanner());
  const double k = plain_scanner().dpi / 25.4;
  const auto px = [k](double mm) { return static_cast<int>(mm * k); };
  auto made = plain;
  made.codes = plain.codes.clone();
  for (int i = 0; i < 11; ++i) {
    cv::putText(made.codes,
                std::to_string(i),
                {px(11 + 9 * i), px(27)},
                cv::FONT_HERSHEY_SIMPLEX,
                0.6,
                cv::Scalar(8000),
                2);
  }
  cv::rectangle(made.codes,
                {px(3), px(3), made.codes.cols - px(6), made.codes.rows - px(6)},
                cv::Scalar(5000),
                4);
  cv::Mat1w cloth(made.codes.rows * 2, made.codes.cols + 200);
  cv::RNG(2).fill(cloth, cv::RNG::NORMAL, 6000, 60);
  made.codes.copyTo(cloth(cv::Rect(100, made.codes.rows / 2, made.codes.cols, made.codes.rows)));
  made.codes = cloth;
  const auto curve = measured(made, camera_11, folder);
  ASSERT_TRUE(curve) << curve.error().what;
  for (const GreyPatch& p : curve->patches) EXPECT_LT(std::abs(p.residual), 0.003);
  // The same codes as on the bare card.
  const auto bare = measured(plain, camera_11, folder);
  ASSERT_TRUE(bare);
  for (std::size_t i = 0; i < camera_11.size(); ++i) {
    EXPECT_NEAR(curve->patches[i].code, bare->patches[i].code, 3e-4);
  }
}

TEST(GreyScaleRefused, WrongNumberSaysBoth) {
  const Folder folder;
  const auto made =
      maker::grey_scale({0.2, 0.4, 0.6, 0.8, 1.0, 1.2, 1.4}, {9, 14}, plain_scanner());
  const auto few = measured(made, {0.2, 0.4, 0.6, 0.8, 1.0, 1.2}, folder);
  ASSERT_FALSE(few);
  EXPECT_EQ(few.error().kind, ProblemKind::data);
  EXPECT_THAT(few.error().what, HasSubstr("6 densities are listed but 7"));
  const auto many = measured(made, {0.2, 0.4, 0.6, 0.8, 1.0, 1.2, 1.4, 1.6}, folder);
  ASSERT_FALSE(many);
  EXPECT_THAT(many.error().what, HasSubstr("8 densities are listed but 7"));
}

// A list one patch short, at either end, whose lightest patch is little darker than the card: the
// lightest was dropped without a word and the curve lay off by a patch.
TEST(GreyScaleRefused, AListOnePatchShortOfALightEnd) {
  const Folder folder;
  const std::vector<double> scale{0.09, 0.17, 0.29, 0.42, 0.57, 0.72, 0.88, 1.04, 1.2, 1.37, 1.55, 1.75};
  for (const bool backwards : {false, true}) {
    std::vector<double> laid = scale;
    if (backwards) std::reverse(laid.begin(), laid.end());
    for (const double gap : {0.0, 1.5}) {
      const auto made = maker::grey_scale(laid, {9, 14}, plain_scanner(), gap);
      for (const bool lightest : {false, true}) {
        std::vector<double> list = scale;
        list.erase(lightest ? list.begin() : list.end() - 1);
        const auto few = measured(made, list, folder);
        ASSERT_FALSE(few) << "gap " << gap << (lightest ? ", lightest" : ", darkest");
        EXPECT_THAT(few.error().what, HasSubstr("11 densities are listed but 12"));
      }
      const auto whole = measured(made, scale, folder);
      ASSERT_TRUE(whole) << whole.error().what;
      for (const auto& n : whole->notes) EXPECT_THAT(n, testing::Not(HasSubstr("one patch more")));
    }
  }
}

// Every second or third patch of a longer scale: the row between the listed ones was not looked at.
TEST(GreyScaleRefused, AListThatLeavesPatchesOutBetween) {
  const Folder folder;
  std::vector<double> scale;
  for (int i = 0; i < 21; ++i) scale.push_back(0.06 + 0.085 * i);
  for (const double gap : {0.0, 1.5}) {
    const auto made = maker::grey_scale(scale, {7, 12}, plain_scanner(), gap);
    ASSERT_TRUE(measured(made, scale, folder));
    for (const std::size_t every : {2U, 3U}) {
      for (const std::size_t first : {0U, 1U}) {
        std::vector<double> list;
        for (std::size_t i = first; i < scale.size(); i += every) list.push_back(scale[i]);
        const auto curve = measured(made, list, folder);
        ASSERT_FALSE(curve) << "every " << every << " from " << first << ", gap " << gap;
        EXPECT_THAT(curve.error().what,
                    HasSubstr(std::to_string(list.size()) + " densities are listed but"));
      }
    }
  }
}

// A scan cut so close that nothing of the card is seen above and below: a list that is short must
// not be read off by a patch. The whole list is read, where card or nothing follows.
TEST(GreyScaleRefused, AShortListOfAScanWithoutItsCard) {
  const Folder folder;
  const double k = plain_scanner().dpi / 25.4;
  auto made = maker::grey_scale(camera_11, {9, 14}, plain_scanner());
  const int middle = made.codes.rows / 2, half = static_cast<int>(5 * k);
  made.codes = made.codes.rowRange(middle - half, middle + half).clone();
  const auto whole = measured(made, camera_11, folder);
  ASSERT_TRUE(whole) << whole.error().what;
  for (const GreyPatch& p : whole->patches) EXPECT_LT(std::abs(p.residual), 0.003);
  for (const int left_out : {1, 2, 3}) {
    for (const bool light : {false, true}) {
      const std::vector<double> list(camera_11.begin() + (light ? left_out : 0),
                                     camera_11.end() - (light ? 0 : left_out));
      const auto curve = measured(made, list, folder);
      if (left_out == 1 && curve) {  // the lightest patch is just like the card: right, or told
        if (!light) {
          EXPECT_THAT(curve->notes, testing::Contains(HasSubstr("if the scale has 11 patches")));
        }
        EXPECT_EQ(light, curve->residual_sd < 0.003);
        continue;
      }
      ASSERT_FALSE(curve) << left_out << (light ? " light" : " dark");
    }
  }
}

// The lightest patch is just like the card: nobody can tell, so it is said.
TEST(GreyScaleRefused, OrToldWhereTheCardHidesThePatch) {
  const Folder folder;
  const std::vector<double> even{0.05, 0.2, 0.35, 0.5, 0.65, 0.8, 0.95, 1.1};  // the card has 0.05
  const auto made = maker::grey_scale(even, {9, 14}, plain_scanner());
  const auto few = measured(made, {even.begin(), even.end() - 1}, folder);
  if (few) {
    EXPECT_THAT(few->notes, testing::Contains(HasSubstr("if the scale has 8 patches")));
  } else {
    EXPECT_THAT(few.error().what, HasSubstr("7 densities are listed but 8"));
  }
  const auto whole = measured(made, even, folder);
  ASSERT_TRUE(whole) << whole.error().what;
  for (const auto& n : whole->notes) EXPECT_THAT(n, testing::Not(HasSubstr("one patch more")));
}

TEST(GreyScaleRefused, OrderClippingListsAndPictures) {
  const Folder folder;
  const auto made = maker::grey_scale(camera_11, {9, 14}, plain_scanner());
  std::vector<double> mixed = camera_11;
  std::swap(mixed[3], mixed[7]);
  EXPECT_FALSE(measured(made, mixed, folder));
  auto over = made;  // exposed too long
  over.codes.convertTo(over.codes, -1, 1.3);
  const auto clipped = measured(over, camera_11, folder);
  ASSERT_FALSE(clipped);
  EXPECT_THAT(clipped.error().what, HasSubstr("clipped"));
  for (const std::vector<double>& bad : {std::vector<double>{0.1, 0.2},
                                         std::vector<double>(41, 0.1),
                                         std::vector<double>{0.1, 0.2, 0.2, 0.3, 0.4},
                                         std::vector<double>{0.1, 0.2, 0.3, 0.4, std::nan("")}}) {
    const auto r = measured(made, bad, folder);
    ASSERT_FALSE(r);
    EXPECT_EQ(r.error().kind, ProblemKind::usage);
  }
  auto noise = made;
  cv::theRNG().state = 4;
  cv::randu(noise.codes, 0, 65535);
  EXPECT_FALSE(measured(noise, camera_11, folder));
  noise.codes.setTo(30000);
  EXPECT_FALSE(measured(noise, camera_11, folder));
}

// One density typed wrongly hid in the spread that it makes itself.
TEST(GreyScaleList, TheOneThatIsListedWronglyIsNamed) {
  const Folder folder;
  const auto made = maker::grey_scale(camera_11, {9, 14}, plain_scanner());
  std::vector<double> typed = camera_11;
  typed[7] = 0.98;  // for 0.88
  const auto curve = measured(made, typed, folder);
  ASSERT_TRUE(curve) << curve.error().what;
  EXPECT_THAT(curve->notes, testing::Contains(HasSubstr("patch of density 0.98 reads")));
  // The darkest one shows at the patch beside it, which must not be blamed.
  for (const double wrong : {1.5, 1.9}) {
    typed = camera_11;
    typed.back() = wrong;  // for 1.65
    const auto ends = measured(made, typed, folder);
    ASSERT_TRUE(ends) << ends.error().what;
    EXPECT_THAT(ends->notes,
                testing::Contains(HasSubstr(fmt::format("patch of density {} reads", wrong))));
  }
  const auto right = measured(made, camera_11, folder);
  ASSERT_TRUE(right) << right.error().what;
  EXPECT_THAT(right->notes, testing::Not(testing::Contains(HasSubstr("listed wrongly"))));
}

TEST(GreyScaleRefused, AWedgeIsNoGreyScale) {
  const std::string wedge = REBITE_SOURCE_DIR "/samples/wedge.tif";
  const auto curve =
      measure_scanner(wedge, {{0.05, 0.15, 0.24, 0.35, 0.52, 0.78, 1.07, 1.28, 1.35}, 0});
  ASSERT_FALSE(curve);
  EXPECT_THAT(curve.error().what, HasSubstr("9 densities are listed but"));
}

TEST(GreyScaleRefused, AListOfAnotherScale) {
  const Folder folder;
  const std::vector<double> other{0.05, 0.09, 0.14, 0.2, 0.27, 0.66, 0.76, 1.24, 1.34, 1.44, 1.8};
  const auto curve = measured(maker::grey_scale(camera_11, {9, 14}, plain_scanner()), other, folder);
  ASSERT_FALSE(curve);
  EXPECT_THAT(curve.error().what, HasSubstr("do not follow the list"));
}

// Listed densities with errors of 0.01: the curve does not follow them, and says how far they
// stray.
TEST(GreyFitTest, SmoothsErrorsOfTheListAndTellsTheirSize) {
  double sd_sum = 0;
  double worst = 0;
  std::uint32_t state = 7;
  const auto bell = [&state] {
    double sum = -6;
    for (int i = 0; i < 12; ++i) {
      state = state * 1664525U + 1013904223U;
      sum += (state >> 8) / 16777216.0;
    }
    return sum;
  };
  constexpr int rounds = 40;
  double squares = 0;
  int n = 0;
  for (int round = 0; round < rounds; ++round) {
    std::vector<CodeDensity> p;
    for (int i = 20; i >= 0; --i) {
      const double d = 0.05 + 0.08 * i;
      p.push_back({linear_to_srgb(std::pow(10, -d) + 0.003), d + 0.01 * bell()});
    }
    const GreyFit fit = fit_greys(p);
    sd_sum += fit.residual_sd;
    for (std::size_t i = 0; i < fit.code.size(); ++i) {
      const double truth = -std::log10(srgb_to_linear(fit.code[i]) - 0.003);
      const double e = -std::log10(fit.reflectance[i]) - truth;
      squares += e * e;
      ++n;
      worst = std::max(worst, std::abs(e));
    }
  }
  EXPECT_NEAR(sd_sum / rounds, 0.0105, 0.002);  // a left-out patch strays by a little more
  EXPECT_LT(std::sqrt(squares / n), 0.006);     // below the 0.01 of the list
  EXPECT_LT(worst, 0.03);
}

// A scanner whose channels differ in tone: each curve comes back, and what is read with them.
struct ChannelCase {
  int bits;
  double allowed;
};

class ChannelCurves : public testing::TestWithParam<ChannelCase> {};

double code_of(ScannerTone tone, double r) {
  return tone == ScannerTone::srgb     ? linear_to_srgb(r)
         : tone == ScannerTone::linear ? r
                                       : std::pow(r, 1 / 1.8);
}

TEST_P(ChannelCurves, EachIsRecovered) {
  const Folder folder;
  maker::Scanner s = plain_scanner();
  s.channels = 3;
  s.bits = GetParam().bits;
  s.turn_deg = 4;
  s.channel_tones = {ScannerTone::srgb, ScannerTone::gamma18, ScannerTone::linear};
  const auto made = maker::grey_scale(camera_11, {9, 14}, s);
  const auto curve = measured(made, camera_11, folder);
  ASSERT_TRUE(curve) << curve.error().what;
  ASSERT_EQ(curve->channels.size(), 3U);
  EXPECT_EQ(curve->scan_channels, 3);
  for (std::size_t k = 0; k < 3; ++k) {
    const CodeCurve& c = curve->channels[k];
    ASSERT_EQ(c.patches.size(), camera_11.size());
    EXPECT_GT(c.residual_sd, 0);
    // Linear at 8 bits: the darkest patches lie between two codes, 0.05 D apart.
    const bool coarse = s.bits == 8 && s.channel_tones[k] == ScannerTone::linear;
    const double allowed = coarse ? 0.04 : GetParam().allowed;
    for (int i = 0; i <= 100; ++i) {
      const double d = 0.06 + i * 0.0155;
      const double code = code_of(s.channel_tones[k], std::pow(10, -d) + s.flare);
      EXPECT_NEAR(-std::log10(c.reflectance_of(code)), d, allowed)
          << channel_names[k] << " at D " << d;
    }
  }
  const auto image =
      read_scan(folder / "grey.tif", {.scanner = &*curve, .relative_to_paper = false});
  ASSERT_TRUE(image);
  for (std::size_t i = 0; i < camera_11.size(); ++i) {
    const auto at = made.px_from_plate({8 + 9 * (double(i) + 0.5), 8 + 7});
    EXPECT_NEAR(read_spot(*image, at, 4)->tone.density.value(), camera_11[i], GetParam().allowed);
  }
}

INSTANTIATE_TEST_SUITE_P(Bits,
                         ChannelCurves,
                         testing::Values(ChannelCase{16, 0.004}, ChannelCase{8, 0.012}));

// Warm paper, a blue wash: only channel by channel is their reflectance the weighted one.
TEST(ChannelCurvesUse, ATintIsReadChannelByChannel) {
  ScannerCurve c;
  const auto power = [](double g) {
    CodeCurve k;
    for (int i = 1; i <= 40; ++i) {
      k.code.push_back(i / 40.0);
      k.reflectance.push_back(std::pow(i / 40.0, g));
    }
    return k;
  };
  static_cast<CodeCurve&>(c) = power(2);
  c.channels = {power(1), power(2), power(3)};
  FileFacts facts;
  facts.channels = 3;
  facts.bits = 16;
  const std::uint16_t tint[3] = {52428, 39321, 26214};  // 0.8, 0.6, 0.4
  Block block{0, 0, 1, 1, tint, 6, 3};
  float out = 0;
  ToneTable::make(facts, &c).convert(block, 0, &out);
  EXPECT_NEAR(out, 0.2126 * 0.8 + 0.7152 * 0.36 + 0.0722 * 0.064, 1e-4);
  EXPECT_NEAR(c.lightest(3), 1, 1e-9);
}

TEST(ChannelCurvesUse, AClippedChannelIsRefusedByName) {
  const Folder folder;
  maker::Scanner s = plain_scanner();
  s.channels = 3;
  auto made = maker::grey_scale(camera_11, {9, 14}, s);
  for (int y = 0; y < made.codes.rows; ++y) {
    for (int x = 0; x < made.codes.cols; ++x) {
      auto& red = made.codes.at<cv::Vec3w>(y, x)[0];
      red = cv::saturate_cast<std::uint16_t>(1.07 * red);
    }
  }
  const auto curve = measured(made, camera_11, folder);
  ASSERT_FALSE(curve);
  EXPECT_THAT(curve.error().what, HasSubstr("red channel: the patch of density 0.05 is clipped"));
}

// A colour curve for grey scans and the other way round: read, and told.
TEST(ChannelCurvesUse, GreyAndColourScansAreToldApart) {
  const Folder folder;
  maker::Scanner s = plain_scanner();
  const auto note_of = [&](int measured_in, int read_in) {
    s.channels = measured_in;
    const auto curve = measured(maker::grey_scale(camera_11, {9, 14}, s), camera_11, folder);
    EXPECT_TRUE(curve);
    EXPECT_EQ(curve->channels.size(), measured_in == 3 ? 3U : 0U);
    s.channels = read_in;
    maker::write_scan(maker::grey_scale(camera_11, {9, 14}, s), (folder / "r.tif").string());
    const auto image =
        read_scan(folder / "r.tif", {.scanner = &*curve, .relative_to_paper = false});
    EXPECT_TRUE(image);
    std::string text;
    for (const auto& n : image->notes) text += n + "\n";
    return text;
  };
  EXPECT_THAT(note_of(3, 1), HasSubstr("measured on a colour scan and this scan is grey"));
  EXPECT_THAT(note_of(1, 3), HasSubstr("measured on a grey scan and this scan is colour"));
  EXPECT_THAT(note_of(3, 3), testing::Not(HasSubstr("makes grey of its colours")));
}

// Linear tones at 8 bits: in the darks a code is 0.04 D. Told when the scanner is measured and when a
// scan is read with the curve; the doubt holds it. With a gamma, or 16 bits, there is nothing to say.
TEST(LinearEightBits, AreToldWithWhatToSwitch) {
  const Folder folder;
  const auto notes_of = [&](ScannerTone tone, int bits, double* doubt) {
    maker::Scanner s = plain_scanner();
    s.tone = tone;
    s.bits = bits;
    const auto curve = measured(maker::grey_scale(camera_11, {9, 14}, s), camera_11, folder);
    EXPECT_TRUE(curve) << curve.error().what;
    const auto read =
        read_scan(folder / "grey.tif", {.scanner = &*curve, .relative_to_paper = false});
    EXPECT_TRUE(read);
    *doubt = read->doubt.relative;
    std::string at_measuring, at_reading;
    for (const auto& n : curve->notes) at_measuring += n + "\n";
    for (const auto& n : read->notes) at_reading += n + "\n";
    return std::pair{at_measuring, at_reading};
  };
  double coarse = 0, fine = 0;
  const auto told = notes_of(ScannerTone::linear, 8, &coarse);
  EXPECT_THAT(told.first, HasSubstr("Scan with 16 bits, or set the scanner's output to a gamma"));
  EXPECT_THAT(told.second, HasSubstr("Scan with 16 bits, or set the scanner's output to a gamma"));
  for (const auto& [tone, bits] :
       {std::pair{ScannerTone::linear, 16}, std::pair{ScannerTone::srgb, 8},
        std::pair{ScannerTone::gamma18, 8}}) {
    const auto quiet = notes_of(tone, bits, &fine);
    EXPECT_THAT(quiet.first, testing::Not(HasSubstr("neighbouring codes")));
    EXPECT_THAT(quiet.second, testing::Not(HasSubstr("neighbouring codes")));
    EXPECT_LT(fine, coarse);
  }
  EXPECT_GT(coarse, 0.005);
}

// It was silent where the scale's darkest patch is lighter than D 1.4, for there the curve holds its
// end: neighbouring codes seemed alike.
TEST(LinearEightBits, AreToldOfAScaleThatEndsEarlier) {
  const Folder folder;
  const std::vector<double> scale{0.06, 0.2, 0.4, 0.6, 0.8, 1.0, 1.15, 1.3};
  maker::Scanner s = plain_scanner();
  s.tone = ScannerTone::linear;
  s.bits = 8;
  const auto curve = measured(maker::grey_scale(scale, {9, 14}, s), scale, folder);
  ASSERT_TRUE(curve) << curve.error().what;
  EXPECT_THAT(curve->notes, testing::Contains(testing::ContainsRegex("At D 1.[23] two neighbouring codes")));
  const auto read = read_scan(folder / "grey.tif", {.scanner = &*curve, .relative_to_paper = false});
  ASSERT_TRUE(read);
  EXPECT_THAT(read->notes, testing::Contains(HasSubstr("neighbouring codes")));
  s.tone = ScannerTone::srgb;
  const auto fine = measured(maker::grey_scale(scale, {9, 14}, s), scale, folder);
  ASSERT_TRUE(fine);
  EXPECT_THAT(fine->notes, testing::Not(testing::Contains(HasSubstr("neighbouring codes"))));
}

ScannerCurve some_curve() {
  ScannerCurve c;
  c.code = {0.1, 0.3, 0.6, 0.95};
  c.reflectance = {0.02, 0.08, 0.3, 0.9};
  c.flare = 0.004;
  c.residual_sd = 0.006;
  c.bits = 16;
  c.profile = "Scanner RGB";
  c.patches = {{Density::of(0.05), 0.95, 0.001}, {Density::of(1.65), 0.1, -0.002}};
  c.notes = {"one"};
  return c;
}

TEST(ScannerCurveFile, ComesBackAsItWasWritten) {
  const ScannerCurve c = some_curve();
  const std::string text = to_json(c);
  EXPECT_THAT(text, HasSubstr("\"format\": \"rebite-scanner\""));
  const auto back = scanner_curve_from_json(text, "x.scanner.json");
  ASSERT_TRUE(back) << back.error().what;
  EXPECT_EQ(back->code, c.code);
  EXPECT_EQ(back->reflectance, c.reflectance);
  EXPECT_EQ(back->profile, c.profile);
  EXPECT_EQ(back->patches.size(), 2U);
  EXPECT_EQ(back->patches[1].residual, -0.002);
  EXPECT_EQ(to_json(*back), text);
}

// The interface fixes version 1: channels are added to it, and files without them are read.
TEST(ScannerCurveFile, ChannelsComeBackAndFilesWithoutThemAreRead) {
  ScannerCurve c = some_curve();
  const CodeCurve own = c;
  c.channels = {own, own, own};
  c.channels[2].code[1] = 0.25;
  c.channels[0].patches[1].residual = 0.005;
  c.channels[1].residual_sd = 0.01;
  c.scan_channels = 3;
  const std::string text = to_json(c);
  EXPECT_THAT(text, HasSubstr("\"version\": 1"));
  const auto back = scanner_curve_from_json(text, "x.scanner.json");
  ASSERT_TRUE(back) << back.error().what;
  ASSERT_EQ(back->channels.size(), 3U);
  EXPECT_EQ(back->channels[2].code[1], 0.25);
  EXPECT_EQ(back->channels[0].patches[1].residual, 0.005);
  EXPECT_NEAR(back->spread(3), 0.006 + 0.7152 * 0.004, 1e-12);
  EXPECT_EQ(back->spread(1), 0.006);
  EXPECT_EQ(to_json(*back), text);
  c.channels.pop_back();
  EXPECT_FALSE(scanner_curve_from_json(to_json(c), "x"));
  c.channels.push_back(own);
  c.channels[1].reflectance[2] = 0.01;
  const auto falling = scanner_curve_from_json(to_json(c), "x");
  ASSERT_FALSE(falling);
  EXPECT_THAT(falling.error().what, HasSubstr("green channel"));
  // As a program before the channels wrote it.
  std::ifstream in(REBITE_SOURCE_DIR "/tests/fuzz/seeds/json/scanner.json");
  const std::string old((std::istreambuf_iterator<char>(in)), {});
  const auto first = scanner_curve_from_json(old, "old.scanner.json");
  ASSERT_TRUE(first) << first.error().what;
  EXPECT_TRUE(first->channels.empty());
  EXPECT_EQ(first->scan_channels, 0);
}

TEST(ScannerCurveFile, RefusesWhatIsNotSound) {
  const auto refused = [](const std::string& text) {
    const auto r = scanner_curve_from_json(text, "x.scanner.json");
    ASSERT_FALSE(r) << text.substr(0, 80);
    EXPECT_THAT(r.error().what, HasSubstr("x.scanner.json"));
    EXPECT_FALSE(r.error().next.empty());
  };
  refused("");
  refused("a text");
  refused("[]");
  refused("{\"format\":\"rebite-batch\",\"version\":1}");
  std::string text = to_json(some_curve());
  for (std::size_t n = 0; n < text.size() - 2; n += 5) refused(text.substr(0, n));
  const auto with = [&text](const std::string& from, const std::string& to) {
    std::string t = text;
    t.replace(t.find(from), from.size(), to);
    return t;
  };
  refused(with("\"version\": 1", "\"version\": 2"));
  refused(with("0.3,", "0.05,"));    // codes that fall
  refused(with("0.02,", "-0.02,"));  // no reflectance
  refused(with("0.08,", "1e400,"));
  refused(with("\"bits\": 16", "\"bits\": 12"));
  refused(with("\"residual_sd\": 0.006", "\"residual_sd\": null"));
  std::string deep(200000, '[');
  refused(deep);
}

TEST(ScannerCurveUse, HoldsTheEndsAndIsMonotone) {
  const ScannerCurve c = some_curve();
  EXPECT_EQ(c.reflectance_of(0), 0.02);
  EXPECT_EQ(c.reflectance_of(1), 0.9);
  EXPECT_EQ(c.reflectance_of(std::nan("")), 0.02);
  double last = 0;
  for (int i = 0; i <= 1000; ++i) {
    const double r = c.reflectance_of(i / 1000.0);
    EXPECT_GE(r, last);
    last = r;
  }
}

TEST(ScannerCurveUse, WarnsWhenTheScanDiffersAndTellsWhatIsOutside) {
  const Folder folder;
  made::Picture p;
  p.bits = 8;
  write_tiff(folder / "eight.tif", p, {});
  const ScannerCurve c = some_curve();
  const auto r = read_scan(folder / "eight.tif", {.scanner = &c, .relative_to_paper = false});
  ASSERT_TRUE(r);
  EXPECT_EQ(r->info.tone, ToneSource::scanner_curve);
  std::string text;
  for (const auto& n : r->notes) text += n + "\n";
  EXPECT_THAT(text, HasSubstr("16-bit"));
  EXPECT_THAT(text, HasSubstr("Scanner RGB"));
  EXPECT_THAT(text, HasSubstr("lighter or darker than the grey scale"));
  // Doubt: with the curve less than without.
  const auto plain = read_scan(folder / "eight.tif", {.relative_to_paper = false});
  EXPECT_LT(r->doubt.sd(Density::of(1.2)), plain->doubt.sd(Density::of(1.2)));
}

// Red and blue leave the range as well as green does: they were not counted.
TEST(ScannerCurveUse, EachChannelsRangeIsCounted) {
  const Folder folder;
  ScannerCurve c = some_curve();
  c.scan_channels = 3;
  c.channels = {c, c, c};
  maker::MadeScan made = maker::grey_scale(camera_11, {9, 14}, plain_scanner());
  for (int outside = 0; outside < 3; ++outside) {
    cv::Mat3w codes(200, 300, cv::Vec3w(30000, 30000, 30000));
    // The files hold red first, the picture blue.
    for (auto& p : cv::Mat3w(codes(cv::Rect(0, 0, 150, 200)))) p[outside] = 2000;
    made.codes = codes;
    maker::write_scan(made, (folder / "tint.tif").string());
    const auto r = read_scan(folder / "tint.tif", {.scanner = &c, .relative_to_paper = false});
    ASSERT_TRUE(r) << r.error().what;
    EXPECT_THAT(r->notes, testing::Contains(HasSubstr("50.0 % of the pixels are lighter or darker")))
        << outside;
  }
  // Where there is one curve for the luminance, that counts: red alone does not leave it.
  c.channels.clear();
  cv::Mat3w codes(200, 300, cv::Vec3w(30000, 30000, 30000));
  for (auto& p : codes) p[0] = 2000;
  made.codes = codes;
  maker::write_scan(made, (folder / "tint.tif").string());
  const auto r = read_scan(folder / "tint.tif", {.scanner = &c, .relative_to_paper = false});
  ASSERT_TRUE(r);
  EXPECT_THAT(r->notes, testing::Not(testing::Contains(HasSubstr("lighter or darker than"))));
}

TEST(ScannerCurveUse, PaperLighterThanTheScaleIsTold) {
  const Folder folder;
  maker::Plate plate;
  plate.size = {40, 30};
  maker::Scanner s = plain_scanner();
  maker::write_scan(maker::print_proof(plate, {}, s), (folder / "p.tif").string());
  const auto note_of = [&](const std::vector<double>& densities) {
    const auto curve = measured(maker::grey_scale(densities, {9, 14}, s), densities, folder);
    EXPECT_TRUE(curve) << curve.error().what;
    const auto r = read_scan(folder / "p.tif", {.scanner = &*curve});
    EXPECT_TRUE(r);
    std::string text;
    for (const auto& n : r->notes) text += n + "\n";
    return text;
  };
  EXPECT_THAT(note_of({0.2, 0.4, 0.6, 0.8, 1.0, 1.3}), HasSubstr("lightest patch"));
  // Paper of the plate maker: reflectance 0.86, D 0.066.
  EXPECT_THAT(note_of(camera_11), testing::Not(HasSubstr("lightest patch of the grey scale (")));
}

// Grain of ink darker than the scale's darkest patch: held at that patch, a tone of it was read up to
// 0.1 D too light. Now within its stated doubt, which says so.
TEST(ScannerCurveUse, InkDarkerThanTheScaleDoesNotLightenItsTones) {
  const Folder folder;
  for (const ScannerTone tone : {ScannerTone::srgb, ScannerTone::linear, ScannerTone::contrasty}) {
    maker::Scanner s = plain_scanner();
    s.tone = tone;
    const auto curve = measured(maker::grey_scale(camera_11, {9, 14}, s), camera_11, folder);
    ASSERT_TRUE(curve) << curve.error().what;
    for (const double solid : {1.5, 1.75, 1.95}) {
      maker::Plate plate;
      plate.size = {40, 30};
      plate.curve.solid = solid;
      maker::Bite bite;
      bite.minutes = cv::Mat1f(300, 400, 20.F);
      plate.bites.push_back(bite);
      maker::Impression sheet;
      sheet.wiping_density = 0;
      const auto made = maker::print_proof(plate, sheet, s);
      maker::write_scan(made, (folder / "ink.tif").string());
      const auto image = read_scan(folder / "ink.tif", {.scanner = &*curve});
      ASSERT_TRUE(image) << image.error().what;
      const auto spot = read_spot(*image, made.px_from_plate({20, 15}), 16);
      ASSERT_TRUE(spot);
      maker::Scanner perfect = s;
      perfect.tone = ScannerTone::linear;
      perfect.flare = 0;
      maker::write_scan(maker::print_proof(plate, sheet, perfect), (folder / "true.tif").string());
      ScannerCurve straight;
      for (int i = 1; i <= 400; ++i) {
        straight.code.push_back(i / 400.0);
        straight.reflectance.push_back(i / 400.0);
      }
      const auto truth = read_scan(folder / "true.tif", {.scanner = &straight});
      ASSERT_TRUE(truth) << truth.error().what;
      const double true_density =
          read_spot(*truth, made.px_from_plate({20, 15}), 16)->tone.density.value();
      const double got = spot->tone.density.value();
      EXPECT_NEAR(got, true_density, 0.006 + 1.645 * image->doubt.sd(spot->tone.density))
          << "solid " << solid << ", scanner " << int(tone);
      const bool carried = image->doubt.carried_on > 0;
      EXPECT_EQ(carried, solid > 1.6) << solid;
    }
  }
}

// End to end: a contrasty scanner, its curve measured, then the same scale read as a densitometer
// would.
TEST(ScannerCurveUse, SpotReadingsOfTheScaleItself) {
  const Folder folder;
  maker::Scanner s = plain_scanner();
  s.tone = ScannerTone::contrasty;
  s.channels = 3;
  const auto made = maker::grey_scale(camera_11, {9, 14}, s);
  const auto curve = measured(made, camera_11, folder);
  ASSERT_TRUE(curve) << curve.error().what;
  const auto image =
      read_scan(folder / "grey.tif", {.scanner = &*curve, .relative_to_paper = false});
  ASSERT_TRUE(image);
  for (std::size_t i = 0; i < camera_11.size(); ++i) {
    const auto at = made.px_from_plate({8 + 9 * (double(i) + 0.5), 8 + 7});
    const auto spot = read_spot(*image, at, 4);
    ASSERT_TRUE(spot) << spot.error().what;
    EXPECT_NEAR(spot->tone.density.value(), camera_11[i], 0.003);
    EXPECT_NEAR(spot->lightness, lightness(Density::of(camera_11[i])), 0.3);
    EXPECT_LT(spot->tone.sd_of_mean, 0.002);
  }
  // The same read as sRGB is far off: the curve is what makes it right.
  const auto wrong = read_scan(folder / "grey.tif", {.relative_to_paper = false});
  const auto at = made.px_from_plate({8 + 9 * 8.5, 8 + 7});
  EXPECT_GT(std::abs(read_spot(*wrong, at, 4)->tone.density.value() - camera_11[8]), 0.05);
  EXPECT_FALSE(read_spot(*image, {-1, 10}, 3));
  EXPECT_FALSE(read_spot(*image, {double(image->relative.cols), 10}, 3));
  EXPECT_FALSE(read_spot(*image, {50, 50}, 0.01));
  EXPECT_FALSE(read_spot(*image, {50, 50}, std::nan("")));
  EXPECT_FALSE(read_spot(*image, {std::numeric_limits<double>::infinity(), 50}, 3));
}

}  // namespace
}  // namespace rebite::scan
