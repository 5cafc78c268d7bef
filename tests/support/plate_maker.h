// The plate maker: renders proofs, drawings, wedges and grey scales grain by grain, with known
// truth. Used by the tests, the measure programs and scripts/make-samples.
//
// The physics it assumes: a ground is a random even grain; a place bitten to coverage a is inked
// where the grain's rank (uniform 0..1) is below a; several grounds fall independently, so their
// light lands multiply; ink has reflectance 10^-solid of the paper. Mean reflectance is then
// Murray-Davies exactly. Same spec, same seed: same bytes, on any number of threads.
#pragma once

#include <cstdint>
#include <functional>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "units/bite_time.h"
#include "units/density.h"
#include "units/lengths.h"

namespace rebite::maker {

// True tone curve of a bath: D(t) = d0 + (d1-d0)(1-exp(-((t-latent)/tau)^beta)), falling off past
// `overbite_from` minutes by `overbite_rate` D per minute. d0 = plate tone of unbitten metal.
struct TrueCurve {
  double d0 = 0.04, d1 = 1.42, tau = 5.5, beta = 0.85, latent = 0;
  double overbite_from = 1e9, overbite_rate = 0;
  double solid = 1.55;  // full ink on this paper
  double density(double minutes) const;
  double coverage(double minutes) const;  // Murray-Davies share that prints density(minutes)
  // The film of ink on unbitten metal (d0) prints once, however many grounds were laid; the pits of
  // one ground cover this share of it: (1 - pit) * (1 - coverage(0)) = 1 - coverage(minutes).
  double pit_coverage(double minutes) const;
  double pit_coverage_of(double density) const;  // the same from a printed density
  // Density printed when the pits of all grounds cover `pits` of the plate.
  double density_of_pits(double pits) const;
  // End of the rising branch (120 min if it never falls), and its inverse there: minutes that
  // print `density`; 0 at or below d0, infinity above the peak.
  double peak_minutes() const;
  double minutes_for(double density) const;
};

// One bite through one ground. `minutes` is a map over the plate, print view, at `px_per_mm` of
// the plate spec (any resolution, sampled bilinearly); 0 = stopped out.
struct Bite {
  cv::Mat1f minutes;
  std::uint64_t ground_seed = 1;  // another seed = another (fresh) ground
  double grain_mm = 0.11;         // mean grain spacing, 0.05..0.2
  double grain_contrast = 1;      // 1 = hard dots
};

struct Plate {
  SizeMm size{150, 110};
  TrueCurve curve;
  std::vector<Bite> bites;  // bites with the same ground_seed add their minutes
  cv::Mat1f lines;          // etched line work, print view: 1 = inked, 0 = none
  cv::Mat1f burnish;        // share of the bitten coverage left (1 = untouched)
  double overlap_q = 1;     // land of ground k enters to the power q (1st: 1)
};

// How one impression was inked, wiped, printed on paper.
struct Impression {
  std::uint64_t seed = 1;
  double plate_tone = 0.0;              // extra density all over (d0 of the curve is the base)
  double wiping_density = 0.02;         // smooth variation over the sheet, 1 sd, log10 units
  double ink_gain = 1.0;                // on the ink's density
  double grain_ink_error = 0.0;         // grain-scale inking difference, share of density
  double margin_mm = 18;                // paper around the plate
  bool plate_mark = true;               // emboss line and bevel
  double stretch_x = 1, stretch_y = 1;  // paper mm per plate mm
  double wander_mm = 0.0;               // smooth wander, peak
  double paper_reflectance = 0.86;      // absolute
  double paper_texture = 0.004;         // relative sd of bare paper
};

// Rework of a second impression, in the plate frame (print view), painted on the sheet:
// opaque/wash layers over the print. alpha 0..1 and the density of the layer.
struct Rework {
  // Wanted density where alpha > 0; how opaque the paint is: shown reflectance =
  // (1-alpha)*print + alpha*paint; a wash multiplies: print * paint^alpha.
  cv::Mat1f wash_density;    // added density (ink wash lets the grain through)
  cv::Mat1f opaque_alpha;    // 0..1
  cv::Mat1f opaque_density;  // density of the opaque paint (white: 0)
};

// What kind of tone curve the scanner writes.
enum class ScannerTone { srgb, linear, gamma18, contrasty };

struct Scanner {
  std::uint64_t seed = 1;
  double dpi = 300;
  int bits = 16;
  int channels = 3;  // 1 or 3
  ScannerTone tone = ScannerTone::srgb;
  std::vector<ScannerTone> channel_tones;  // of R, G, B where they differ; empty: `tone` for all
  double exposure = 1;        // gain on the light; what comes above full scale is clipped
  double flare = 0.0;         // stray light, absolute reflectance added
  double blur_mm = 0.03;      // sigma
  double noise = 0.002;       // relative sd of reflectance
  double uneven_light = 0.0;  // +- relative, smooth over the platen
  double turn_deg = 0;        // of the sheet on the platen, counter-clockwise as seen
  bool mirrored = false;
  double crop_mm = 0;     // cut off all round after placing
  double tag_dpi = -1;    // resolution tag written; -1 = true dpi; 0 = none
  double dpi_y = 0;       // 0: as dpi
  double tag_dpi_y = -1;  // as tag_dpi, along y (0 there takes both away)
  // 0: the sheet is larger than the scan. Else the sheet ends margin_mm from the plate mark and the
  // lid of this reflectance shows beyond, with a thin shadow along the sheet's edge.
  double lid_reflectance = 0;
};

// A scan and its truth.
struct MadeScan {
  cv::Mat codes;   // CV_8U or CV_16U, 1 or 3 channels, RGB
  double dpi = 0;  // as to be tagged (0: none)
  double dpi_y = 0;
  // Exact map from plate mm (print view) to pixels of this scan.
  std::function<cv::Point2d(PlateMm)> px_from_plate;
  cv::Mat1f true_density;             // plate frame, print view, what this sheet shows on
  double true_density_px_per_mm = 0;  // average (grain, noise and scanner left out)
};

// The plain proof.
MadeScan print_proof(const Plate&, const Impression&, const Scanner&);
// A second impression painted over.
MadeScan reworked_proof(const Plate&, const Impression&, const Rework&, const Scanner&);
// A drawing of its own: no grain; smooth tone `density` (plate frame) plus `lines`, on paper.
MadeScan separate_drawing(const Plate& frame,
                          const cv::Mat1f& density,
                          const cv::Mat1f& lines,
                          const Impression& paper,
                          const Scanner&);

// A wedge: steps of `step_mm` side by side along x, each bitten `minutes[i]` in total.
struct WedgeSpec {
  std::vector<double> minutes;
  SizeMm step{14, 30};
  double border_mm = 6;  // unbitten metal round the steps
  double gap_mm = 0;     // unbitten metal between steps
  int rows = 1;
  TrueCurve curve;
  double grain_mm = 0.11;
  std::uint64_t ground_seed = 7;
};
MadeScan print_wedge(const WedgeSpec&, const Impression&, const Scanner&);
// The wedge as a plate, and the middles of its steps in its frame, in the order of `minutes`
// (row by row, left to right).
Plate wedge_plate(const WedgeSpec&);
std::vector<PlateMm> wedge_step_centres(const WedgeSpec&);

// A grey scale of known absolute densities, patches along x on a card of density 0.05 that goes on
// beyond the scan. Frame: mm from the corner of a card that leaves 8 mm round the patches.
// true_density is absolute here, not above paper. No grain, no paper texture.
MadeScan grey_scale(const std::vector<double>& densities,
                    SizeMm patch,
                    const Scanner&,
                    double gap_mm = 0);

// The file, by its ending: .tif (LZW), .png, .jpg. Throws std::runtime_error when it cannot.
void write_scan(const MadeScan&, const std::string& path);

// What the next bite must be, by the truth of the plate maker. 0 when `wanted` is not darker;
// infinity when this bath cannot reach it. The film of unbitten metal counts once.
double kept_minutes(const TrueCurve&, double printed, double wanted);
double fresh_minutes(const TrueCurve&, double printed, double wanted, double overlap_q = 1);

// One area of a scene: a piece of the plate bitten evenly and reworked evenly (or a soft passage).
struct SceneArea {
  int label = 0;              // in Scene::labels
  double bitten_minutes = 0;  // median
  double printed = 0;         // median densities, no wiping
  double wanted = 0;
  double gap() const { return wanted - printed; }
  double kept = 0, fresh = 0;  // true minutes of the next bite for the medians
  double area_mm2 = 0;
  double across_mm = 0;  // diameter of the largest disc that fits in
  bool soft = false;     // graded: medians only tell its middle
};

// Ready-made pictures for tests, in the plate frame at px_per_mm, all deterministic in seed:
// a graded sky over 6-14 areas of different minutes with a few etched lines; a rework of it in
// which some areas are washed darker (grain shows through), some lightened with opaque white, one
// new shape is painted across an area, and a few strokes are drawn. Rework borders are 0.5 mm soft.
struct Scene {
  Plate plate;
  Rework rework;
  cv::Mat1f wanted_density;   // what the drawing shows on average, no wiping
  cv::Mat1f printed_density;  // what the proof shows on average, no wiping
  double px_per_mm = 4;
  cv::Mat1w labels;              // area labels 1.. over the whole plate
  std::vector<SceneArea> areas;  // areas[i].label == i + 1
  cv::Mat1b strokes;             // 255 where line work (etched or drawn) lies
};
// `etched_strokes`: how many etched lines of 20 to 60 mm; 0: five to ten.
Scene make_scene(std::uint64_t seed, SizeMm size = {150, 110}, int etched_strokes = 0);
// Medians, minutes and sizes of labelled areas (1..n) from the scene's maps; lines are left out.
std::vector<SceneArea> measure_areas(const Scene&);

// Average density that a plate prints (no wiping), plate frame at px_per_mm.
cv::Mat1f printed_density(const Plate&, double px_per_mm);

}  // namespace rebite::maker
