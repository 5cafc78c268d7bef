// The pieces that bench pages are put together from. Unit mm, on paper 1:1.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "sheets/region_map.h"
#include "sheets/sheets.h"

namespace rebite::sheets {

struct PaperSize {
  double width = 210, height = 297;
};
// Printers leave about 5 mm white at the edge; 8 mm is safe.
inline constexpr double kPaperMargin = 8;

struct Area {
  double x = 0, y = 0, width = 0, height = 0;
};

// What a stage's page says about a region (0 = hold).
enum class StopOut { open, already, now };
// `stage`: index into plan.stages. What no list names (hold, and regions that are never bitten) is
// stopped out before the first dip and stays so.
StopOut stop_out(const SheetContent& content, std::size_t stage, int id);

// solid = stop out now, light = already stopped out, white = stays open.
void draw_stage_plate(cairo_t* cr,
                      const PlateFrame& frame,
                      const SheetContent& content,
                      const PlateDrawing& drawing,
                      std::size_t stage);
// These zones with the hatch of what is done to them (scrape rings, burnish dots, soft dashes,
// lines in grey); the rest as thin outlines; numbers of the zones only.
void draw_zones_plate(cairo_t* cr,
                      const PlateFrame& frame,
                      const SheetContent& content,
                      const PlateDrawing& drawing,
                      const std::vector<int>& ids);
// Outlines only, for tracing to the plate.
void draw_transfer_plate(cairo_t* cr,
                         const PlateFrame& frame,
                         const SheetContent& content,
                         const PlateDrawing& drawing);

// The plate's edge, the corner mark (the corner that is top left in the PRINT) and the upper edge.
void draw_plate_edge(cairo_t* cr, const PlateFrame& frame, bool words = true);
// 100 mm between the outer ticks' middles, ticks every 10 mm. (x, y) is its left or upper end.
void draw_check_rule(cairo_t* cr, double x, double y);
void draw_check_rule_upright(cairo_t* cr, double x, double y);
// The page's first line: the view in words, the title. Its last: plate, ground, batch, date, page.
void draw_page_head(cairo_t* cr, PaperSize p, const std::string& view, const std::string& title);
void draw_page_foot(cairo_t* cr,
                    PaperSize p,
                    const SheetContent& content,
                    const BenchMapOptions& options,
                    int page);
// The map's legend in columns.
void draw_legend(cairo_t* cr,
                 const Area& area,
                 int columns,
                 const std::vector<LegendRow>& rows,
                 const MapLook& look);
// Solid, light, white with their words, in one row or one below the other (8 mm each).
void draw_stage_key(cairo_t* cr, double x, double y, double width, bool stacked);
// As large as fits in the width, at most `largest` em. Returns the em used.
double draw_fitting(cairo_t* cr,
                    double x,
                    double y,
                    double width,
                    const std::string& text,
                    double largest,
                    bool bold = true);

// Text that flows through columns and pages. What stands under one heading stays together where a
// column can hold it.
struct TextBlock {
  enum class Kind { heading, text, tick, warning };
  Kind kind = Kind::text;
  std::string text;
};
class TextFlow {
 public:
  TextFlow(std::vector<TextBlock> blocks, double size) : blocks_(std::move(blocks)), size_(size) {}
  // Fills the area in `columns` columns with what is left.
  void fill(cairo_t* cr, const Area& area, int columns);
  double size() const { return size_; }
  bool done() const { return next_ >= blocks_.size(); }
  // Would all of it go into the area?
  bool fits(const Area& area, int columns) const;

 private:
  // Height of the heading that is next with all that stands under it, or with only the next block
  // where no column can hold it all.
  double heading_needs(cairo_t* cr, double width, double column) const;
  double draw_block(
      cairo_t* cr, const TextBlock& block, double x, double y, double width, bool really) const;

  std::vector<TextBlock> blocks_;
  double size_;
  std::size_t next_ = 0;
};

// A large plate cut into windows that fit the paper. In mm of the view, from the plate's corner.
struct Tile {
  std::string name;  // "B1": column letter, row number
  int column = 0, row = 0;
  Area window;
};
inline constexpr double kTileOverlap = 10, kTileBorder = 5;
std::vector<Tile> tiles_for(SizeMm plate, double window_width, double window_height);
using PaintPlate = std::function<void(cairo_t*, const PlateFrame&, const PlateDrawing&)>;
// The window at (x, y) on the page, cut at its edge, with crosses in the overlaps' middles and the
// neighbours' names.
void draw_tile(cairo_t* cr,
               const Tile& tile,
               const std::vector<Tile>& all,
               double x,
               double y,
               const PlateFrame& whole,
               const PlateDrawing& drawing,
               const PaintPlate& paint);
// The tile's part of the labels: what it holds, and its own places for numbers, so that each tile
// can be read alone. `tile.window` is in plate view.
struct TileContent {
  std::vector<int> ids;            // 0 included where hold shows
  std::vector<LabelPlace> places;  // print view, as everywhere
};
TileContent tile_content(const SheetContent& content,
                         const Tile& tile,
                         const LabelOptions& options);
// The whole plate small, with the tiles' lines and names over it.
void draw_tile_key(cairo_t* cr, const PlateFrame& frame, const std::vector<Tile>& all);

}  // namespace rebite::sheets
