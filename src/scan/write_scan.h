// Pictures out: what sheets and the plate maker need.
#pragma once

#include <opencv2/core.hpp>
#include <string>

namespace rebite::scan {

// 8-bit (CV_8UC1, CV_8UC3 as RGB, CV_8UC4 as RGBA) or 16-bit (CV_16UC1, CV_16UC3) PNG bytes with
// pHYs set when px_per_mm > 0. Byte-for-byte the same for the same input. Throws on memory only.
// `grain`: for pictures in which no two rows are alike; on them run lengths pack as well as matches
// do, in a quarter of the time (measured on a printed plate of 70 megapixels: 0.8 s for 3.0 s, 46
// MB both). `drawn`: even areas and sharp lines, which filters only spoil (a map of 4.6 megapixels:
// 0.13 s for 0.41 s with all filters, 1.8 MB for 2.0).
enum class PngContent { drawn, grain };
std::string png_bytes(const cv::Mat& image, double px_per_mm = 0,
                      PngContent content = PngContent::drawn);
// Baseline JPEG, quality 1..100, CV_8UC1 or CV_8UC3 (RGB).
std::string jpeg_bytes(const cv::Mat& image, int quality = 88, double px_per_mm = 0);
// TIFF: CV_8U/CV_16U with 1 or 3 channels (RGB), resolution in inches; optional ICC profile bytes.
enum class TiffPacking { none, lzw, deflate };
std::string tiff_bytes(const cv::Mat& image, double dpi_x, double dpi_y,
                       TiffPacking packing = TiffPacking::lzw, const std::string& icc = {});

}  // namespace rebite::scan
