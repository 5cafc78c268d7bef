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
  double code = 0;      // mean luminance-weighted code, 0..1 of full scale
  double residual = 0;  // density from the curve minus the listed one
};

// Code (0..1 of full scale, luminance of the RGB codes with weights .2126 .7152 .0722) to absolute
// reflectance. Monotone, piecewise (PCHIP in code -> log reflectance). Used only inside the measured
// range: outside, the end value holds and the share of such pixels becomes a note.
struct ScannerCurve {
  std::vector<double> code;         // increasing
  std::vector<double> reflectance;  // increasing, 0..1
  double flare = 0;                 // estimated stray light, as reflectance
  double residual_sd = 0;           // log10 units
  int bits = 16;                    // of the scan it was measured on
  std::string profile;              // embedded profile of that scan, "" if none
  std::vector<GreyPatch> patches;
  Notes notes;

  double reflectance_of(double code_0_1) const;
};

// Format "rebite-scanner" version 1 of interface.md.
std::string to_json(const ScannerCurve& curve);
// Refuses (data) what is not that format, newer versions, non-finite or falling curves.
Result<ScannerCurve> scanner_curve_from_json(std::string_view text, std::string_view name);

struct GreyScaleOptions {
  std::vector<double> densities;    // in the order in which they lie on the scan, either way round
  double dpi = 0;                   // 0: as tagged
};
// Finds the patches in the scan and fits the curve. Refuses when the number of patches differs, the
// codes do not fall with density, or a patch is clipped.
Result<ScannerCurve> measure_scanner(const std::filesystem::path& scan, const GreyScaleOptions&);

}  // namespace rebite::scan
