// The scanner's own tone curve, measured from a grey scale of known densities.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "scan/scan_info.h"
#include "units/density.h"
#include "units/problem.h"

namespace rebite::scan {

// One patch of the grey scale as found on the scan.
struct GreyPatch {
  Density density = Density::of(0);  // as listed, absolute (not above paper)
  double code = 0;      // mean code, 0..1 of full scale
  double residual = 0;  // density from the curve minus the listed one
};

// Code (0..1 of full scale) to absolute reflectance. Monotone, piecewise (PCHIP in code -> log
// reflectance). Tones are told only inside the measured range: outside, the end value holds and the
// share of such pixels becomes a note.
struct CodeCurve {
  std::vector<double> code;         // increasing
  std::vector<double> reflectance;  // increasing, 0..1
  double flare = 0;                 // estimated stray light, as reflectance
  // The doubt of the curve, log10 units: sd of what it says of a patch that it was fitted without
  // (see grey_fit.h). Wider than the residuals, which it was fitted to.
  double residual_sd = 0;
  std::vector<GreyPatch> patches;   // in the order of the list

  double reflectance_of(double code_0_1) const;
  // The same for single pixels, which are averaged to a tone before they are told: specks of ink
  // darker than the darkest patch, held at its tone, would make every dark too light. There the light
  // with its flare goes on as the power of the code that it is at the darkest patch, down to a quarter
  // of that patch's reflectance (0.6 D).
  double pixel_reflectance_of(double code_0_1) const;
};

inline constexpr const char* channel_names[3] = {"red", "green", "blue"};

// The curve itself is over the luminance of the codes (weights .2126 .7152 .0722, or the grey code):
// it serves grey scans, and colour scans where `channels` is empty. A colour scan has a tone curve
// in each of its channels, which need not be alike: with them every channel becomes reflectance by
// its own, and only then are they weighed together.
struct ScannerCurve : CodeCurve {
  std::vector<CodeCurve> channels;  // red, green, blue; empty: measured in grey, or not told
  int scan_channels = 0;            // of the scan it was measured on: 1, 3; 0 not told (older files)
  int bits = 16;                    // of that scan
  std::string profile;              // embedded profile of that scan, "" if none
  Notes notes;

  // Whether a scan of so many channels is read channel by channel.
  bool by_channel(int of_scan) const { return of_scan == 3 && channels.size() == 3; }
  // Lightest reflectance that a scan of so many channels can be read as, and the spread (1 sd,
  // log10 units) of the curve it is read with. The channels' spreads are added as if they erred
  // together, since most of it is the printed list's.
  double lightest(int of_scan) const;
  double darkest(int of_scan) const;  // the other end
  double spread(int of_scan) const;
  // Root mean square of the patches' residuals, of all channels where it is read by channel.
  double residual_rms(int of_scan) const;
};

// A small spread of densities in words: "0.012 D", or "below 0.001 D", which no list of densities
// tells.
std::string spread_text(double d);

// Format "rebite-scanner" version 1 of interface.md. The curve of a colour scan has "channels" as well
// (three objects like "curve", with "name" and "patches"): who does not know them reads the curve of
// the luminance.
std::string to_json(const ScannerCurve& curve);
// Refuses (data) what is not that format, newer versions, non-finite or falling curves.
Result<ScannerCurve> scanner_curve_from_json(std::string_view text, std::string_view name);

struct GreyScaleOptions {
  std::vector<double> densities;    // in the order in which they lie on the scan, either way round
  double dpi = 0;                   // 0: as tagged
};
// Finds the patches in the scan and fits the curve, and on a colour scan one more for each channel.
// Refuses when the number of patches differs (both numbers told; darkest patches that the scanner
// does not tell apart may be left out of the list, and a lightest one just like the card is not
// seen), the codes do not fall with density or stray from a falling curve by 0.05 D (rms), or a patch
// is clipped, in the luminance or in a channel.
Result<ScannerCurve> measure_scanner(const std::filesystem::path& scan, const GreyScaleOptions&);

}  // namespace rebite::scan
