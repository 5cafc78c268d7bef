// report.html: the template of report/report.html filled with the drawn pieces, the styles, the
// data object and the components. One file, no network.
#include <fmt/format.h>

#include <cassert>
#include <map>
#include <nlohmann/json.hpp>

#include "embedded_report.h"
#include "sheets/report_data.h"
#include "sheets/report_figures.h"
#include "sheets/report_pieces.h"
#include "sheets/report_plots.h"
#include "sheets/report_text.h"
#include "sheets/sheets.h"

namespace rebite::sheets {
namespace {

// The components in the order in which they need each other.
constexpr const char* script_names[] = {"plate_maps.js",
                                        "viewer.js",
                                        "region_table.js",
                                        "stage_stepper.js",
                                        "curve_plot.js",
                                        "histogram.js",
                                        "report.js"};

std::string_view asset(std::string_view name) {
  for (const auto& [n, bytes] : report_files())
    if (n == name) return bytes;
  assert(false && "a file of src/sheets/report is not embedded");
  return {};
}

// "{{name}}" by its value; every name of the template must be there.
std::string filled(std::string_view text, const std::map<std::string, std::string>& values) {
  std::string out;
  for (;;) {
    const auto open = text.find("{{");
    if (open == std::string_view::npos) return out.append(text);
    const auto close = text.find("}}", open);
    assert(close != std::string_view::npos);
    const auto value = values.find(std::string(text.substr(open + 2, close - open - 2)));
    assert(value != values.end() && "the template names a part that is not made");
    out.append(text.substr(0, open)).append(value->second);
    text.remove_prefix(close + 2);
  }
}

// A layer's coarse picture with what lies over it, and its words.
std::string picture(const PictureLayer& l, const std::string& words, const std::string& over = "") {
  return fmt::format(
      "<figure><figcaption>{6} Print view.</figcaption><div "
      "class=\"stack\"><img alt=\"{0}: {1}, print view\" data-layer=\"{2}\" "
      "src=\"{3}\" width=\"{4}\" height=\"{5}\">{7}</div></figure>",
      l.name,
      l.about,
      l.id,
      l.levels.front().tiles.front(),
      l.levels.front().width,
      l.levels.front().height,
      words,
      over);
}

std::string picture(const PictureLayer& l) {
  return picture(l, "<b>" + l.name + "</b>, " + l.about + ".");
}

// The proof stands beside the stages already.
std::string pictures(const std::vector<PictureLayer>& layers) {
  std::string out;
  for (const auto& l : layers)
    if (l.id != "alignment" && l.id != "proof") out += picture(l);
  return out;
}

constexpr const char* kWhere = "<b>Where.</b> The regions by number, over the proof.";

std::string glance_map(const SheetContent& c, const std::vector<PictureLayer>& layers) {
  for (const auto& l : layers)
    if (l.id == "proof")
      return "<div class=\"glance-map\">" + picture(l, kWhere, map_figure(c)) + "</div>";
  return "<div class=\"glance-map\"><figure><figcaption>" + std::string(kWhere) +
         " Print view.</figcaption>" + map_figure(c) + "</figure></div>";
}

std::string alignment(const SheetContent& c, const std::vector<PictureLayer>& layers) {
  const AlignmentContent& a = c.alignment;
  std::string out = fmt::format(
      "<p>Half of all places within <b>{}</b>, 95 of 100 within <b>{}</b>. Confidence {}. Drawing "
      "turned "
      "by {:.2f}°{}; paper against plate × {:.4f} across, × {:.4f} down.{}</p>",
      fine_length_text(a.error_median_mm, c.units),
      fine_length_text(a.error_p95_mm, c.units),
      percent_text(a.confidence),
      a.rotation_deg,
      a.mirrored ? " and mirrored" : "",
      a.stretch_x,
      a.stretch_y,
      a.plate_found ? "" : " The plate mark was not found: the plate was placed by its size.");
  for (const auto& l : layers)
    if (l.id == "alignment")
      out += "<div class=\"lie\">" + picture(l) + legend_html(alignment_legend(c.units)) + "</div>";
  return out;
}

std::string curve(const SheetContent& c) {
  if (!c.batch)
    return "<p class=\"quiet\">Planned without a wedge: there is no curve, and so no minutes.</p>";
  return "<p>Band: 90 % interval. Dots: the wedge's steps. Upright lines: where this plan's stages "
         "end. The first minutes are drawn wider than the later ones.</p><div id=\"curve\">" +
         curve_svg(c) + "</div>";
}

// How much of "after this plan" is the hand's promise and not the bath's.
std::string gap_counts(const SheetContent& c) {
  double mm2 = area_of(to_lower(c));
  for (const auto* r : by_hand(c))
    if (r->action == plan::Action::soft) mm2 += r->region.area_mm2;
  if (mm2 == 0) return "";
  return "That counts what is lowered and the soft passages as brought to their tone by hand: " +
         percent_text(mm2 / (c.plate.width * c.plate.height)) + " of the plate.";
}

std::string gap_before_after(const SheetContent& c) {
  const std::string drawn = histogram_svg(c.gap_shares);
  if (drawn.empty()) return "<p class=\"quiet\">Not counted.</p>";
  return "<div id=\"histogram\">" + drawn +
         "</div><p class=\"pair\"><span class=\"mark before\"></span> now <span class=\"mark "
         "after\"></span> after this plan</p>";
}

std::string meta(const SheetContent& c) {
  std::string out = size_text(c.plate, c.units);
  if (c.batch) out += " · batch " + html_text(c.batch->name);
  out += " · " + ground_text(c.plan.ground);
  if (!c.made_on.empty())
    out += " · <span class=\"unbroken\">" + html_text(date_of(c.made_on)) + "</span>";
  return out;
}

std::string scripts() {
  std::string out;
  for (const char* name : script_names)
    out.append("<script>\n").append(asset(name)).append("</script>\n");
  return out;
}

// The first level of each layer is in the page as an <img> already.
std::vector<PictureLayer> without_overviews(std::vector<PictureLayer> layers) {
  for (auto& l : layers) l.levels.front().tiles.clear();
  return layers;
}

}  // namespace

std::string report_html(const SheetContent& c) {
  const auto layers = picture_layers(c);
  std::string footer = "Rebite " + html_text(c.version);
  if (!c.made_on.empty()) footer += " · " + html_text(c.made_on);
  if (!c.proof_file.empty())
    footer += " · proof " + html_text(c.proof_file) + ", drawing " + html_text(c.drawing_file);
  return filled(
      asset("report.html"),
      {{"title", html_text(c.title)},
       {"css", std::string(asset("components.css")) + std::string(asset("report.css"))},
       {"defs", defs_svg(c)},
       {"meta", meta(c)},
       {"glance", glance_html(c, glance_map(c, layers))},
       {"cautions", cautions_html(c)},
       {"pictures", pictures(layers)},
       {"looks", looks_html(c)},
       {"gap_legend", legend_html(gap_legend())},
       {"stages", stages_html(c)},
       {"stage_choice", stage_choice_html(c)},
       {"regions", region_table_html(c)},
       {"curve", curve(c)},
       {"gap_before", tone_number(c.plan.outlook.mean_gap_before)},
       {"gap_after", tone_number(c.plan.outlook.mean_gap_after)},
       {"gap_counts", gap_counts(c)},
       {"histogram", gap_before_after(c)},
       {"alignment", alignment(c, layers)},
       {"notes", notes_html(c)},
       {"facts", facts_html(c)},
       {"footer", footer},
       {"data", script_safe(report_data(c, without_overviews(layers), {.pieces = false}))},
       {"scripts", scripts()}});
}

}  // namespace rebite::sheets
