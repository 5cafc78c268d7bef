// Writes report.html, plan.json and, for the browser test, places.json: the tones near some places,
// read from the matrices and not from the report.
//   write_report FOLDER [lock|one|many|none|large|unknown|short|hostile] [in]
#include <algorithm>
#include <fstream>
#include <iostream>
#include <nlohmann/json.hpp>

#include "sheets/sheets.h"
#include "tests/sheets/made_content.h"

namespace {

using rebite::sheets::SheetContent;

SheetContent content_named(const std::string& name) {
  rebite::maker::ContentOptions fine;
  fine.picture_px_per_mm = 300 / 25.4;
  if (name == "one") return rebite::maker::made_one_region();
  if (name == "many") return rebite::maker::made_many_regions();
  if (name == "none") return rebite::maker::made_no_work();
  if (name == "large") {
    rebite::maker::ContentOptions o;
    o.plate = {600, 400};
    o.grid_px_per_mm = 2;
    o.picture_px_per_mm = 200 / 25.4;  // enough to need tiles, half the time of 300
    return rebite::maker::made_content(o);
  }
  if (name == "unknown") return rebite::maker::without_batch(rebite::maker::made_content());
  if (name == "short") return rebite::maker::without_stages(rebite::maker::made_content());
  SheetContent c = rebite::maker::made_content(fine);
  if (name == "hostile") {
    c.title = "</title><script>document.title='broken'</script>\"'&";
    c.proof_file = "<img src=x onerror=document.title='broken'>.tif";
    c.plan.notes.push_back("</script><script>document.title='broken'</script>");
    c.plan.regions.front().notes.push_back("<b onclick=x>note</b>");
  }
  return c;
}

// The lowest and highest value within `mm` of a place: what a reading there may say.
std::pair<double, double> near(const cv::Mat1f& field, double x, double y, double k, double mm) {
  double low = 1e9, high = -1e9;
  for (int row = std::max(0, static_cast<int>((y - mm) * k));
       row < field.rows && row <= static_cast<int>((y + mm) * k);
       ++row) {
    for (int col = std::max(0, static_cast<int>((x - mm) * k));
         col < field.cols && col <= static_cast<int>((x + mm) * k);
         ++col) {
      low = std::min(low, static_cast<double>(field(row, col)));
      high = std::max(high, static_cast<double>(field(row, col)));
    }
  }
  return {low, high};
}

nlohmann::ordered_json places(const SheetContent& c) {
  nlohmann::ordered_json out = nlohmann::ordered_json::array();
  const double k = c.map.grid.px_per_mm;
  for (int i = 0; i < 25; ++i) {
    const double x = c.plate.width * (0.1 + 0.2 * (i % 5));
    const double y = c.plate.height * (0.1 + 0.2 * (i / 5));
    const auto now = near(c.map.now, x, y, k, 0.8), target = near(c.map.target, x, y, k, 0.8);
    out.push_back({{"x_mm", x},
                   {"y_mm", y},
                   {"region", c.map.labels(static_cast<int>(y * k), static_cast<int>(x * k))},
                   {"now", {now.first, now.second}},
                   {"target", {target.first, target.second}}});
  }
  return out;
}

void write(const std::string& file, const std::string& bytes) {
  std::ofstream out(file, std::ios::binary);
  out << bytes;
  if (!out.flush()) throw std::runtime_error("cannot write " + file);
}

}  // namespace

int main(int argc, char** argv) {
  if (argc < 2) {
    std::cerr << "write_report FOLDER [lock|one|many|none|large|unknown|short|hostile] [in]\n";
    return 64;
  }
  const std::string folder = argv[1];
  SheetContent c = content_named(argc > 2 ? argv[2] : "lock");
  if (argc > 3) {
    c.units = rebite::sheets::Units::inches;
    c.fahrenheit = true;
  }
  write(folder + "/report.html", rebite::sheets::report_html(c));
  write(folder + "/plan.json", rebite::sheets::plan_json(c));
  write(folder + "/places.json", places(c).dump(1));
  return 0;
}
