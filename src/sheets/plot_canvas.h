// What a plot draws on: Cairo (pictures and paper, black on white), or SVG text whose look comes
// from the report's style sheet. One plot, one drawing function, two canvases. Unit mm.
#pragma once

#include <cairo.h>

#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "sheets/canvas.h"

namespace rebite::sheets {

// What a mark is; the canvas knows how it looks. In SVG it is the element's class.
// second, third: further curves beside `curve`, told from it by their dashes.
enum class PlotMark { frame, grid, axis, curve, second, third, band, bar, limit, past, dip };
enum class PlotWords { tick, label, limit, dip };

class PlotCanvas {
 public:
  using Points = std::vector<cv::Point2d>;
  virtual ~PlotCanvas() = default;
  virtual void stroke(PlotMark mark, const Points& points) = 0;
  virtual void fill(PlotMark mark, const Points& outline) = 0;
  virtual void ring(cv::Point2d at) = 0;   // a measured value
  virtual void cross(cv::Point2d at) = 0;  // one that does not count
  // The base line starts, is centred or ends at `at`; `upwards`: turned to read from below.
  virtual void words(PlotWords kind,
                     cv::Point2d at,
                     Align align,
                     const std::string& text,
                     bool upwards = false) = 0;
  virtual double width(PlotWords kind, const std::string& text) const = 0;
};

class CairoPlot : public PlotCanvas {
 public:
  explicit CairoPlot(cairo_t* cr) : cr_(cr) {}
  void stroke(PlotMark mark, const Points& points) override;
  void fill(PlotMark mark, const Points& outline) override;
  void ring(cv::Point2d at) override;
  void cross(cv::Point2d at) override;
  void words(
      PlotWords kind, cv::Point2d at, Align align, const std::string& text, bool upwards) override;
  double width(PlotWords kind, const std::string& text) const override;

 private:
  cairo_t* cr_;
};

class SvgPlot : public PlotCanvas {
 public:
  static constexpr double px_per_mm = 4;
  void stroke(PlotMark mark, const Points& points) override;
  void fill(PlotMark mark, const Points& outline) override;
  void ring(cv::Point2d at) override;
  void cross(cv::Point2d at) override;
  void words(
      PlotWords kind, cv::Point2d at, Align align, const std::string& text, bool upwards) override;
  double width(PlotWords kind, const std::string& text) const override;
  // The elements drawn so far.
  const std::string& text() const { return out_; }

 private:
  std::string out_;
};

}  // namespace rebite::sheets
