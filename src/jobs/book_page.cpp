// A plate's story as one HTML page that needs nothing from outside.
#include <fmt/format.h>

#include "jobs/book_plots.h"
#include "jobs/book_story.h"
#include "units/html_text.h"

namespace rebite::jobs {

std::string story_html(const book::Story& story, const std::vector<BatchStory>& batches) {
  std::string html = fmt::format(
      "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>{0}</title>\n"
      "<meta name=\"viewport\" content=\"width=device-width\">\n<style>\n"
      "body{{font:16px/1.45 sans-serif;max-width:60rem;margin:1.5rem auto;padding:0 1rem;"
      "color:#111;background:#fff}}\n"
      "section{{border-top:1px solid #999;margin-top:1.5rem;padding-top:.5rem}}\n"
      "figure{{display:inline-block;margin:.3rem 1rem .3rem 0}}figcaption{{font-size:.85rem;"
      "max-width:15rem;overflow-wrap:anywhere}}\n"
      "pre{{white-space:pre-wrap;overflow-x:auto;font-size:.85rem}}svg{{max-width:40rem;width:100%;height:auto}}\n"
      "</style></head><body><main>\n<h1>{0}</h1>\n<p>{1}, {2}. {3}</p>\n",
      html_text(story.plate.title),
      html_text(story.plate.metal),
      size_text(story.plate.size),
      html_text(story.plate.note));
  const auto figure = [](const book::ScanRecord& scan, const std::string& what) {
    if (scan.preview.empty()) {
      return fmt::format("<p>{}: {}</p>\n", what, html_text(scan.path));
    }
    return fmt::format(
        "<figure><img alt=\"{0}\" src=\"data:image/png;base64,{1}\"><figcaption>{0}: {2}"
        "</figcaption></figure>\n",
        what,
        base64(scan.preview),
        html_text(scan.path));
  };
  const ByState by(story);
  for (const auto& s : story.states) {
    html += fmt::format("<section><h2>{}</h2>\n", html_text(state_heading(s)));
    for (const auto& p : s.proofs) html += figure(p, "proof");
    if (s.drawing) html += figure(*s.drawing, "drawing");
    html += fmt::format("<pre>{}</pre></section>\n", html_text(state_body(s, by)));
  }
  if (const auto history = tone_history_svg(story); !history.empty()) {
    html += "<section><h2>Tone of each region</h2>\n" + history + "</section>\n";
  }
  for (const auto& b : batches) {
    html += fmt::format("<section><h2>Batch {}</h2>\n<pre>{}</pre>\n",
                        html_text(b.batch.name),
                        html_text(batch_text(b)));
    html +=
        drift_svg(b.history, b.batch.name) + reached_svg(b.history, b.batch.name) + "</section>\n";
  }
  return html + "</main></body></html>\n";
}

}  // namespace rebite::jobs
