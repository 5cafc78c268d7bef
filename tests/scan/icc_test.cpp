// Profiles built with Little CMS: the tone read is the profile's own, and misfits are told.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <lcms2.h>

#include <cmath>

#include "scan/icc_tone.h"
#include "scan/load.h"
#include "scan/read_scan.h"
#include "tests/scan/made_files.h"
#include "tests/scan/made_profiles.h"

namespace rebite::scan {
namespace {

using made::bytes_of;
using made::Folder;
using made::grey_profile;
using made::Picture;
using testing::HasSubstr;

std::string rgb_profile(double gamma) {
  // Adobe-RGB-like primaries, from memory; any three will do.
  const cmsCIExyY white{0.3127, 0.3290, 1};
  const cmsCIExyYTRIPLE primaries{{0.64, 0.33, 1}, {0.21, 0.71, 1}, {0.15, 0.06, 1}};
  cmsToneCurve* curve = cmsBuildGamma(nullptr, gamma);
  cmsToneCurve* curves[3] = {curve, curve, curve};
  std::string bytes = bytes_of(cmsCreateRGBProfile(&white, &primaries, curves));
  cmsFreeToneCurve(curve);
  return bytes;
}

// A table profile (device to Lab) that no sum of curves can stand for: L* from the mean of r g and
// b. Or, `linear`, that of the light that their mean stands for.
std::string table_profile(bool linear = false) {
  cmsHPROFILE profile = cmsCreateProfilePlaceholder(nullptr);
  cmsSetProfileVersion(profile, 4.3);
  cmsSetDeviceClass(profile, cmsSigInputClass);
  cmsSetColorSpace(profile, cmsSigRgbData);
  cmsSetPCS(profile, cmsSigLabData);
  cmsPipeline* pipe = cmsPipelineAlloc(nullptr, 3, 3);
  cmsStage* table = cmsStageAllocCLut16bit(nullptr, 17, 3, 3, nullptr);
  cmsStageSampleCLut16bit(
      table,
      [](const cmsUInt16Number in[], cmsUInt16Number out[], void* of_light) -> cmsInt32Number {
        const double r = in[0] / 65535.0, g = in[1] / 65535.0, b = in[2] / 65535.0;
        const double y = (r + g + b) / 3;
        const double l = !*static_cast<bool*>(of_light) ? 100 * std::sqrt((r * g + g * b + b * r) / 3)
                         : y > 216.0 / 24389          ? 116 * std::cbrt(y) - 16
                                                      : y * 24389 / 27;
        const cmsCIELab lab{l, 0, 0};
        cmsFloat2LabEncoded(out, &lab);
        return TRUE;
      },
      &linear,
      0);
  // The file format wants curves round the table; these do nothing.
  cmsPipelineInsertStage(pipe, cmsAT_END, cmsStageAllocToneCurves(nullptr, 3, nullptr));
  cmsPipelineInsertStage(pipe, cmsAT_END, table);
  cmsPipelineInsertStage(pipe, cmsAT_END, cmsStageAllocToneCurves(nullptr, 3, nullptr));
  cmsWriteTag(profile, cmsSigAToB0Tag, pipe);
  cmsWriteTag(profile, cmsSigMediaWhitePointTag, cmsD50_XYZ());
  cmsPipelineFree(pipe);
  return bytes_of(profile);
}

Loaded with_profile(const std::string& icc, int channels, int bits = 16) {
  const Folder folder;
  Picture p;
  p.channels = channels;
  p.bits = bits;
  made::TiffLayout l;
  l.icc = icc;
  write_tiff(folder / "icc.tif", p, l);
  auto r = load(folder / "icc.tif", {});
  EXPECT_TRUE(r);
  return std::move(*r);
}

std::string joined(const Notes& notes) {
  std::string text;
  for (const auto& n : notes) text += n + "\n";
  return text;
}

TEST(Icc, GreyGammaIsFollowedInEveryFormat) {
  const std::string icc = grey_profile(1.8);
  for (const int bits : {8, 16}) {
    const Loaded r = with_profile(icc, 1, bits);
    EXPECT_EQ(r.info.tone, ToneSource::icc_profile);
    EXPECT_FALSE(r.info.profile.empty());
    Picture p;
    p.bits = bits;
    const double top = bits == 8 ? 255 : 65535;
    for (int y = 0; y < p.height; ++y) {
      for (int x = 0; x < p.width; ++x) {
        ASSERT_NEAR(double(r.values(y, x)), std::pow(p.sample(x, y, 0) / top, 1.8), 2e-5);
      }
    }
  }
  const Folder folder;
  Picture p;
  p.bits = 8;
  write_png(folder / "g.png", p, {.icc = icc});
  EXPECT_EQ(read_scan_info(folder / "g.png")->tone, ToneSource::icc_profile);
  write_jpeg(folder / "g.jpg", p, {.icc = icc});
  EXPECT_EQ(read_scan_info(folder / "g.jpg")->tone, ToneSource::icc_profile);
  EXPECT_EQ(read_scan_info(folder / "g.png")->profile, read_scan_info(folder / "g.jpg")->profile);
}

// Against Little CMS called pixel by pixel, matrix and table profiles alike.
TEST(Icc, RgbAgreesWithLittleCms) {
  for (const std::string& icc : {rgb_profile(2.2), rgb_profile(1.0), table_profile()}) {
    const Loaded r = with_profile(icc, 3);
    ASSERT_EQ(r.info.tone, ToneSource::icc_profile) << joined(r.notes);
    cmsHPROFILE profile =
        cmsOpenProfileFromMem(icc.data(), static_cast<cmsUInt32Number>(icc.size()));
    cmsHPROFILE xyz = cmsCreateXYZProfile();
    cmsHTRANSFORM t = cmsCreateTransform(profile,
                                         TYPE_RGB_DBL,
                                         xyz,
                                         TYPE_XYZ_DBL,
                                         INTENT_RELATIVE_COLORIMETRIC,
                                         cmsFLAGS_NOOPTIMIZE);
    Picture p;
    p.channels = 3;
    for (int y = 0; y < p.height; ++y) {
      for (int x = 0; x < p.width; ++x) {
        double rgb[3], out[3];
        for (int k = 0; k < 3; ++k) rgb[k] = p.sample(x, y, k) / 65535.0;
        cmsDoTransform(t, rgb, out, 1);
        ASSERT_NEAR(double(r.values(y, x)), out[1], 5e-5) << x << ' ' << y;
      }
    }
    cmsDeleteTransform(t);
    cmsCloseProfile(profile);
    cmsCloseProfile(xyz);
  }
}

TEST(Icc, TableProfileIsNoSumOfCurves) {
  const auto table = IccTone::from_bytes(table_profile(), 3, 16);
  ASSERT_TRUE(table) << table.error();
  EXPECT_TRUE(table->tables().empty());
  // Whole scans with it, in both depths: L* 100 sqrt((rg + gb + br) / 3), and CIE's Y of that L*.
  for (const int bits : {8, 16}) {
    const Loaded r = with_profile(table_profile(), 3, bits);
    EXPECT_EQ(r.info.tone, ToneSource::icc_profile);
    Picture p;
    p.channels = 3, p.bits = bits;
    const double full = bits == 8 ? 255 : 65535;
    const double a = p.sample(20, 10, 0) / full, b = p.sample(20, 10, 1) / full;
    const double c = p.sample(20, 10, 2) / full;
    const double l = 100 * std::sqrt((a * b + b * c + c * a) / 3);
    const double y = l > 8 ? std::pow((l + 16) / 116, 3) : l / (24389.0 / 27);
    EXPECT_NEAR(double(r.values(10, 20)), y, 0.01) << bits;  // 17 points a side: cells are flat
  }
  const auto curves = IccTone::from_bytes(rgb_profile(2.2), 3, 16);
  ASSERT_TRUE(curves) << curves.error();
  EXPECT_EQ(curves->tables().size(), 3U);
}

// Coarse codes in the darks were told of curves only.
TEST(Icc, CoarseCodesOfATableProfileAreTold) {
  EXPECT_THAT(joined(with_profile(table_profile(true), 3, 8).notes), HasSubstr("neighbouring codes"));
  for (const auto& [linear, bits] : {std::pair{true, 16}, {false, 8}}) {
    EXPECT_THAT(joined(with_profile(table_profile(linear), 3, bits).notes),
                testing::Not(HasSubstr("neighbouring codes")));
  }
}

TEST(Icc, WhatDoesNotFitIsToldAndNotUsed) {
  const auto told = [](const std::string& icc, int channels, const char* what) {
    const Loaded r = with_profile(icc, channels);
    EXPECT_EQ(r.info.tone, ToneSource::srgb_assumed);
    EXPECT_THAT(joined(r.notes), HasSubstr(what));
  };
  told(grey_profile(2.2), 3, "contradicts itself");
  told(rgb_profile(2.2), 1, "contradicts itself");
  told("this is no profile, only a text that stands where one should be", 1, "damaged");
  told(rgb_profile(2.2).substr(0, 200), 3, "damaged");
  cmsHPROFILE inks = cmsCreateInkLimitingDeviceLink(cmsSigCmykData, 300);
  told(bytes_of(inks), 3, "contradicts itself");
  cmsHPROFILE lab = cmsCreateLab4Profile(nullptr);
  told(bytes_of(lab), 3, "contradicts itself");
}

TEST(Icc, CutAnywhereIsToldOrUsedButNeverCrashes) {
  const std::string whole = rgb_profile(2.2);
  for (std::size_t n = 0; n < whole.size(); n += 7) {
    const auto tone = IccTone::from_bytes(whole.substr(0, n), 3, 8);
    EXPECT_TRUE(tone || !tone.error().empty());
  }
}

}  // namespace
}  // namespace rebite::scan
