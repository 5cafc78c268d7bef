// rebite align against general-purpose tools on one large pair whose truth the plate maker knows.
//   measure_general REBITE FOLDER [--megapixels 10] [--only rebite,features,toolkit,thorough]
// - a plain feature pipeline: ORB or SIFT of OpenCV, nearest descriptors with the ratio test (Lowe,
//   IJCV 60, 2004), a homography by RANSAC;
// - an intensity-based registration toolkit: elastix (Debian package elastix) by mutual
// information,
//   affine and then B-splines (Klein et al., IEEE Trans. Med. Imaging 29, 196, 2010), with the
//   settings below. It gets grey pictures in millimetres and a file of points to carry over.
// Errors: mm between where a tool puts a place of the plate on the drawing and where it is, at 25
// places across, 3 mm inside the edge. Prints markdown. Times are those of whole commands or, of
// the feature pipeline, from the grey pictures in memory.
#include <fmt/format.h>
#include <sys/resource.h>

#include <chrono>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <opencv2/calib3d.hpp>
#include <opencv2/features2d.hpp>
#include <opencv2/imgproc.hpp>
#include <stdexcept>

#include "tests/measure/big_pair.h"

namespace {

namespace fs = std::filesystem;
using namespace rebite;
using measure::Run;

struct Place {
  cv::Point2d proof, drawing;  // pixels, true
};

std::vector<Place> places_of(const measure::BigPair& pair, SizeMm plate) {
  constexpr double rim = 3;
  constexpr int across = 25;
  const int down = std::max(2, static_cast<int>(std::lround(across * plate.height / plate.width)));
  std::vector<Place> all;
  for (int j = 0; j < down; ++j)
    for (int i = 0; i < across; ++i) {
      const PlateMm at{rim + (plate.width - 2 * rim) * i / (across - 1),
                       rim + (plate.height - 2 * rim) * j / (down - 1)};
      all.push_back({pair.proof.px_from_plate(at), pair.drawing.px_from_plate(at)});
    }
  return all;
}

void print(const std::string& tool,
           const Run& took,
           const std::vector<Place>& places,
           const std::vector<cv::Point2d>& found) {
  if (found.size() != places.size())
    throw std::runtime_error(fmt::format("{}: {} places of {}", tool, found.size(), places.size()));
  std::vector<double> e;
  double squares = 0;
  for (std::size_t k = 0; k < places.size(); ++k) {
    e.push_back(cv::norm(found[k] - places[k].drawing) * 25.4 / measure::kBigDpi);
    squares += e.back() * e.back();
  }
  std::sort(e.begin(), e.end());
  fmt::print("| {} | {:.1f} | {:.1f} | {:.0f} | {:.4f} | {:.4f} | {:.4f} |\n",
             tool,
             took.seconds,
             took.cpu,
             took.mib,
             std::sqrt(squares / static_cast<double>(e.size())),
             e[e.size() * 95 / 100],
             e.back());
  std::fflush(stdout);
}

// ---- ours --------------------------------------------------------------------------------------

void ours(const std::string& rebite,
          const fs::path& folder,
          double mpx,
          const std::vector<Place>& places) {
  const SizeMm plate = measure::plate_for(mpx);
  std::ofstream points(folder / "points.csv");
  points << "x,y\n";
  for (const Place& p : places) points << fmt::format("{:.6f},{:.6f}\n", p.proof.x, p.proof.y);
  points.close();
  const fs::path answer = folder / "align.json";
  const Run took = measure::run({rebite,
                                 "align",
                                 measure::scan_of(folder, mpx, "proof", false),
                                 measure::scan_of(folder, mpx, "drawing", false),
                                 "--plate",
                                 fmt::format("{}x{}mm", plate.width, plate.height),
                                 "--points",
                                 folder / "points.csv",
                                 "--json"},
                                answer);
  std::ifstream in(answer);
  std::string text(std::istreambuf_iterator<char>(in), {});
  const auto json = nlohmann::json::parse(text.substr(text.find('{')), nullptr, true, true);
  std::vector<cv::Point2d> found;
  for (const auto& p : json.at("points"))
    found.emplace_back(p.at("drawing_x").get<double>(), p.at("drawing_y").get<double>());
  print("rebite align", took, places, found);
}

// ---- features and a homography -----------------------------------------------------------------

cv::Mat1w grey_of(const cv::Mat& codes) {
  cv::Mat1w green;
  cv::extractChannel(codes, green, 1);
  return green;
}

double cpu_now() {
  rusage use{};
  ::getrusage(RUSAGE_SELF, &use);
  const auto s = [](const timeval& t) {
    return static_cast<double>(t.tv_sec) + 1e-6 * static_cast<double>(t.tv_usec);
  };
  return s(use.ru_utime) + s(use.ru_stime);
}

void features(const std::string& name,
              const cv::Ptr<cv::Feature2D>& detector,
              int norm,
              double dpi,
              const cv::Mat1w& proof,
              const cv::Mat1w& drawing,
              const std::vector<Place>& places) {
  const auto start = std::chrono::steady_clock::now();
  const double cpu = cpu_now(), scale = dpi / measure::kBigDpi;
  std::vector<cv::KeyPoint> keys[2];
  cv::Mat descriptors[2];
  for (int k = 0; k < 2; ++k) {
    cv::Mat1b grey;
    (k == 0 ? proof : drawing).convertTo(grey, CV_8U, 1 / 257.0);
    if (scale < 1) cv::resize(grey, grey, {}, scale, scale, cv::INTER_AREA);
    detector->detectAndCompute(grey, cv::noArray(), keys[k], descriptors[k]);
  }
  std::vector<std::vector<cv::DMatch>> near;
  cv::BFMatcher(norm).knnMatch(descriptors[0], descriptors[1], near, 2);
  std::vector<cv::Point2f> from, to;
  for (const auto& pair : near) {
    if (pair.size() < 2 || pair[0].distance > 0.8F * pair[1].distance) continue;
    from.push_back(keys[0][static_cast<std::size_t>(pair[0].queryIdx)].pt);
    to.push_back(keys[1][static_cast<std::size_t>(pair[0].trainIdx)].pt);
  }
  cv::Mat inlier;
  const cv::Mat h =
      from.size() >= 4 ? cv::findHomography(from, to, cv::RANSAC, 3, inlier, 10000) : cv::Mat();
  const std::chrono::duration<double> spent = std::chrono::steady_clock::now() - start;
  const std::string what = fmt::format("{}, {:.0f} dpi ({} matches, {} agree)",
                                       name,
                                       dpi,
                                       from.size(),
                                       h.empty() ? 0 : cv::countNonZero(inlier));
  if (h.empty()) {
    fmt::print(
        "| {} | {:.1f} | {:.1f} | | no homography | | |\n", what, spent.count(), cpu_now() - cpu);
    return;
  }
  std::vector<cv::Point2d> in, out;
  for (const Place& p : places)
    in.push_back((p.proof + cv::Point2d(0.5, 0.5)) * scale - cv::Point2d(0.5, 0.5));
  cv::perspectiveTransform(in, out, h);
  for (cv::Point2d& p : out) p = (p + cv::Point2d(0.5, 0.5)) / scale - cv::Point2d(0.5, 0.5);
  rusage use{};
  ::getrusage(RUSAGE_SELF, &use);
  print(what, {spent.count(), cpu_now() - cpu, 0}, places, out);
}

// ---- the registration toolkit ------------------------------------------------------------------

constexpr double kMm = 25.4 / measure::kBigDpi;

// A grey picture with its millimetres, as the toolkit reads it.
fs::path write_picture(const fs::path& folder, const std::string& name, const cv::Mat1w& grey) {
  const fs::path header = folder / (name + ".mhd");
  std::ofstream(header) << fmt::format(
      "ObjectType = Image\nNDims = 2\nBinaryData = True\nBinaryDataByteOrderMSB = False\n"
      "ElementSpacing = {0:.9f} {0:.9f}\nOffset = {1:.9f} {1:.9f}\nDimSize = {2} {3}\n"
      "ElementType = MET_USHORT\nElementDataFile = {4}.raw\n",
      kMm,
      kMm / 2,
      grey.cols,
      grey.rows,
      name);
  std::ofstream raw(folder / (name + ".raw"), std::ios::binary);
  for (int y = 0; y < grey.rows; ++y)
    raw.write(reinterpret_cast<const char*>(grey[y]), std::streamsize{grey.cols} * 2);
  return header;
}

struct Effort {
  const char* name;
  double grid_mm;
  int samples, iterations, levels;
};

std::string settings(const Effort& effort, bool spline) {
  std::string schedule;
  for (int k = effort.levels - 1; k >= 0; --k) schedule += fmt::format(" {0} {0}", 1 << k);
  return fmt::format(
      "(FixedInternalImagePixelType \"float\")\n(MovingInternalImagePixelType \"float\")\n"
      "(FixedImageDimension 2)\n(MovingImageDimension 2)\n(UseDirectionCosines \"true\")\n"
      "(Registration \"MultiResolutionRegistration\")\n(Interpolator \"BSplineInterpolator\")\n"
      "(BSplineInterpolationOrder 1)\n"
      "(ResampleInterpolator \"FinalBSplineInterpolator\")\n(Resampler \"DefaultResampler\")\n"
      "(FixedImagePyramid \"FixedRecursiveImagePyramid\")\n"
      "(MovingImagePyramid \"MovingRecursiveImagePyramid\")\n"
      "(Optimizer \"AdaptiveStochasticGradientDescent\")\n(Transform \"{}\")\n"
      "(Metric \"AdvancedMattesMutualInformation\")\n(NumberOfHistogramBins 32)\n"
      "(AutomaticScalesEstimation \"true\")\n(AutomaticTransformInitialization \"true\")\n"
      "(HowToCombineTransforms \"Compose\")\n(FinalGridSpacingInPhysicalUnits {})\n"
      "(NumberOfResolutions {})\n(ImagePyramidSchedule{})\n(MaximumNumberOfIterations {})\n"
      "(NumberOfSpatialSamples {})\n(NewSamplesEveryIteration \"true\")\n"
      "(ImageSampler \"RandomCoordinate\")\n(CheckNumberOfSamples \"false\")\n"
      "(DefaultPixelValue 65535)\n(WriteResultImage \"false\")\n",
      spline ? "BSplineTransform" : "AffineTransform",
      effort.grid_mm,
      effort.levels,
      schedule,
      effort.iterations,
      effort.samples);
}

void toolkit(const fs::path& folder, const Effort& effort, const std::vector<Place>& places) {
  const fs::path out = folder / "toolkit";
  fs::create_directories(out);
  std::ofstream(out / "affine.txt") << settings(effort, false);
  std::ofstream(out / "spline.txt") << settings(effort, true);
  std::ofstream points(out / "points.txt");
  points << "point\n" << places.size() << "\n";
  for (const Place& p : places)
    points << fmt::format("{:.9f} {:.9f}\n", (p.proof.x + 0.5) * kMm, (p.proof.y + 0.5) * kMm);
  points.close();
  const Run took = measure::run({"elastix",
                                 "-f",
                                 folder / "proof.mhd",
                                 "-m",
                                 folder / "drawing.mhd",
                                 "-p",
                                 out / "affine.txt",
                                 "-p",
                                 out / "spline.txt",
                                 "-out",
                                 out,
                                 "-threads",
                                 "2"});
  measure::run({"transformix",
                "-def",
                out / "points.txt",
                "-tp",
                out / "TransformParameters.1.txt",
                "-out",
                out});
  std::ifstream answer(out / "outputpoints.txt");
  std::vector<cv::Point2d> found;
  for (std::string line; std::getline(answer, line);) {
    const auto at = line.find("OutputPoint = [");
    if (at == std::string::npos) continue;
    double x = 0, y = 0;
    if (std::sscanf(line.c_str() + at, "OutputPoint = [ %lf %lf ]", &x, &y) != 2)
      throw std::runtime_error("outputpoints.txt is not as expected");
    found.emplace_back(x / kMm - 0.5, y / kMm - 0.5);
  }
  print(fmt::format("elastix, affine + B-splines, {}: grid {} mm, {} samples, {} x {} iterations",
                    effort.name,
                    effort.grid_mm,
                    effort.samples,
                    effort.levels,
                    effort.iterations),
        took,
        places,
        found);
}

int compare(const std::string& rebite, const fs::path& folder, double mpx, std::string_view only) {
  const auto wanted = [&](std::string_view what) {
    return only.empty() || only.find(what) != std::string_view::npos;
  };
  fs::create_directories(folder);
  measure::make_scans(folder, mpx);
  measure::BigPair pair = measure::big_pair(mpx);
  const std::vector<Place> places = places_of(pair, measure::plate_for(mpx));
  const cv::Mat1w proof = grey_of(pair.proof.codes), drawing = grey_of(pair.drawing.codes);
  pair = {};
  write_picture(folder, "proof", proof);
  write_picture(folder, "drawing", drawing);
  fmt::print("| tool, {:.0f} Mpx a scan | s | CPU s | MiB | rms, mm | p95 | max |\n", mpx);
  fmt::print("|---|---|---|---|---|---|---|\n");
  std::fflush(stdout);
  if (wanted("rebite")) ours(rebite, folder, mpx, places);
  if (wanted("features")) {
    const auto orb = [] { return cv::ORB::create(20000); };
    features("ORB + homography", orb(), cv::NORM_HAMMING, 600, proof, drawing, places);
    features("ORB + homography", orb(), cv::NORM_HAMMING, 150, proof, drawing, places);
    features(
        "SIFT + homography", cv::SIFT::create(20000), cv::NORM_L2, 150, proof, drawing, places);
    features("SIFT + homography", cv::SIFT::create(20000), cv::NORM_L2, 75, proof, drawing, places);
  }
  if (wanted("toolkit")) toolkit(folder, {"usual effort", 16, 5000, 1000, 5}, places);
  if (wanted("thorough")) toolkit(folder, {"more effort", 8, 20000, 2000, 5}, places);
  return 0;
}

}  // namespace

int main(int argc, char** argv) {
  const std::vector<std::string> words(argv + 1, argv + argc);
  if (words.size() < 2) {
    fmt::print(stderr, "usage: measure_general REBITE FOLDER [--megapixels N] [--only WORDS]\n");
    return 64;
  }
  double megapixels = 10;
  std::string only;
  try {
    for (std::size_t i = 2; i + 1 < words.size(); i += 2) {
      if (words[i] == "--megapixels") megapixels = std::stod(words[i + 1]);
      if (words[i] == "--only") only = words[i + 1];
    }
    return compare(words[0], words[1], megapixels, only);
  } catch (const std::exception& problem) {
    fmt::print(stderr, "measure_general: {}\n", problem.what());
    return 1;
  }
}
