#include "sheets/report_pieces.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>

#include "sheets/report_figures.h"
#include "sheets/report_text.h"

namespace rebite::sheets {
namespace {

using plan::Action;

std::vector<const plan::PlannedRegion*> with_action(const SheetContent& c,
                                                    std::initializer_list<Action> actions) {
  std::vector<const plan::PlannedRegion*> out;
  for (const auto& r : c.plan.regions)
    if (std::find(actions.begin(), actions.end(), r.action) != actions.end()) out.push_back(&r);
  return out;
}

const plan::PlannedRegion* region_of(const SheetContent& c, int id) {
  for (const auto& r : c.plan.regions)
    if (r.region.id == id) return &r;
  return nullptr;
}

// Many numbers fold away behind a summary.
std::string chips(const std::vector<int>& ids) {
  std::string out;
  for (const int id : ids) out += chip(id) + " ";
  if (ids.size() <= 24) return "<span class=\"chips\">" + out + "</span>";
  return fmt::format(
      "<details class=\"many\"><summary>{} regions</summary><span class=\"chips\">{}"
      "</span></details>",
      ids.size(),
      out);
}

std::string stage_card(const SheetContent& c, const plan::Stage& s) {
  std::vector<int> stop;
  for (const int id : s.stop_out_before) {
    const auto* r = region_of(c, id);
    if (s.number > 1 || (r && r->action != Action::hold)) stop.push_back(id);
  }
  const std::string rest = s.number == 1 && has_hold(c) ? "all plain parts (no number)" : "";
  std::string what = rest;
  if (!stop.empty()) what += (rest.empty() ? "" : ", and ") + chips(stop);
  if (what.empty()) what = "nothing";
  return fmt::format(
      "<li class=\"stage\"><h3>{} Stage {} <span>of {}</span></h3><p "
      "class=\"dip\"><span>dip</span> "
      "<b>{}</b></p><p class=\"total\"><span>total</span> <b>{}</b></p><p class=\"stop\">"
      "<span>Stop out first:</span> {}</p></li>",
      swatch(fmt::format("stage-{}", s.number)),
      s.number,
      c.plan.stages.size(),
      clock_text(s.dip),
      clock_text(s.total),
      what);
}

// What is lowered, as the first row of the stages; with a kept ground as their last.
std::string lower_row(const SheetContent& c) {
  const auto regions = to_lower(c);
  if (regions.empty()) return "";
  std::vector<int> ids;
  bool scrape = false;
  for (const auto* r : regions) {
    ids.push_back(r->region.id);
    scrape = scrape || r->action == Action::scrape;
  }
  return fmt::format("<li class=\"first\"><h3>{}</h3><p>{} {}</p></li>",
                     c.plan.ground == plan::Ground::fresh ? "First" : "Then",
                     scrape ? "scrape and burnish" : "burnish",
                     chips(ids));
}

std::string stage_cards(const SheetContent& c) {
  if (c.plan.stages.empty()) return "";
  const bool first = c.plan.ground == plan::Ground::fresh;
  std::string out = "<ol class=\"stages\">" + (first ? lower_row(c) : "");
  for (const auto& s : c.plan.stages) out += stage_card(c, s);
  return out + (first ? "" : lower_row(c)) + "</ol>";
}

std::string lower_list(const SheetContent& c) {
  const auto regions = to_lower(c);
  if (regions.empty()) return "";
  std::string out =
      fmt::format("<div class=\"todo lower\"><h3>{}, {}</h3><ul>",
                  c.plan.ground == plan::Ground::fresh ? "Lower first" : "Lower afterwards",
                  when_to_lower(c.plan.ground));
  constexpr std::size_t at_once = 12;  // more than these fold away
  for (std::size_t i = 0; i < regions.size(); ++i) {
    if (i == at_once)
      out += fmt::format("</ul><details class=\"many\"><summary>and {} more</summary><ul>",
                         regions.size() - at_once);
    const plan::PlannedRegion& r = *regions[i];
    out += fmt::format(
        "<li>{} <b>{}</b> to {} <span class=\"quiet\">from {}, <span "
        "class=\"unbroken\">{}</span></span></li>",
        chip(r.region.id),
        action_words(r),
        lowered_text(r, c) + plus_minus(r.region.target.sd),
        tone_html(r.region.now),
        area_text(r.region.area_mm2, c.units));
  }
  return out + (regions.size() > at_once ? "</ul></details></div>" : "</ul></div>");
}

// More than these fold away.
std::string folded(const std::vector<std::string>& items, std::size_t at_once) {
  std::string out;
  for (std::size_t i = 0; i < items.size(); ++i) {
    if (i == at_once)
      out += fmt::format("<details class=\"many\"><summary>and {} more</summary>",
                         items.size() - at_once);
    out += "<span class=\"aim\">" + items[i] + "</span>";
  }
  return items.size() > at_once ? out + "</details>" : out;
}

std::string by_hand_list(const SheetContent& c) {
  std::vector<std::string> soft, line;
  for (const auto* r : by_hand(c)) {
    std::string aim = chip(r->region.id) + " " + tone_html(r->region.now) + " to " +
                      tone_html({r->aim(), r->region.target.sd});
    if (r->guide) aim += " <span class=\"quiet\">guide " + clock_text(*r->guide) + "</span>";
    (r->action == Action::soft ? soft : line).push_back(aim);
  }
  std::string out;
  if (!soft.empty())
    out += "<li><b>Soft passages, darker.</b> No stop-out edge makes them: work them free-hand. " +
           folded(soft, 6) + "</li>";
  if (!line.empty())
    out += "<li><b>Drawn lines.</b> No tone area: stop out; the needle makes them. " +
           folded(line, 6) + "</li>";
  if (out.empty()) return "";
  const bool guided = out.find(">guide ") != std::string::npos;
  return "<div class=\"todo hand\"><h3>By hand, beside the stages</h3><ul>" + out + "</ul>" +
         (guided ? "<p class=\"quiet\">Guide: what the wedge took for that change; no time to set."
                   "</p>"
                 : "") +
         "</div>";
}

std::string beyond_list(const SheetContent& c) {
  std::string out;
  for (const auto* r : with_action(c, {Action::beyond}))
    out += "<li>" + chip(r->region.id) + " " + html_text(advice(*r, c.plan)) + "</li>";
  return out.empty() ? "" : "<div class=\"todo\"><h3>Beyond reach</h3><ul>" + out + "</ul></div>";
}

std::string hold_list(const SheetContent& c) {
  std::vector<int> ids;
  for (const auto* r : with_action(c, {Action::hold})) ids.push_back(r->region.id);
  return fmt::format(
      "<div class=\"todo hold\"><h3>Hold</h3><p>All of the plate that carries no "
      "number stays as it is{}. {}</p></div>",
      ids.empty() ? "" : ", and so do " + chips(ids),
      c.plan.stages.empty() ? "" : "Stop it out before the first dip.");
}

std::string choice_row(const plan::StageChoice& s) {
  return fmt::format("<tr{}><th scope=\"row\">{}{}</th><td>{:.3f}</td><td>{}</td></tr>",
                     s.chosen ? " class=\"chosen\"" : "",
                     s.stages,
                     s.chosen ? " <b>(this plan)</b>" : "",
                     s.loss,
                     s.stages > 1 ? fmt::format("{:.3f}", s.gain) : "–");
}

std::string fact(const std::string& name, const std::string& value) {
  return value.empty() ? "" : "<dt>" + name + "</dt><dd>" + value + "</dd>";
}

std::string batch_facts(const SheetContent& c) {
  if (!c.batch) return fact("Batch", "none: planned without a wedge, so without minutes");
  const wedge::Batch& b = *c.batch;
  std::string what = html_text(b.mordant);
  for (const std::string& part : {b.strength, b.metal, b.ground})
    if (!part.empty()) what += ", " + html_text(part);
  std::string out = fact("Batch", "<b>" + html_text(b.name) + "</b><br>" + what);
  out += fact(
      "Wedge",
      fmt::format(
          "{}{}{}",
          count_text(b.steps.size(), "step", "steps"),
          ", " + count_text(static_cast<std::size_t>(b.impressions), "impression", "impressions"),
          b.bitten_on.empty() ? "" : ", bitten " + date_of(b.bitten_on)));
  if (b.temperature_c)
    out += fact("Wedge's bath", temperature_text(*b.temperature_c, c.fahrenheit));
  out +=
      fact("Useful until",
           clock_text(b.curve.useful_until()) + ", tone " + tone_number(b.curve.darkest().value()) +
               (b.end_seen() ? "" : " (the wedge's last step: it shows no end)"));
  if (c.plan.ground == plan::Ground::fresh)
    out += fact(
        "New grain over old tone",
        fmt::format("q = {:.2f} ± {:.2f}, {}",
                    b.overlap.q,
                    b.overlap.sd,
                    b.overlap.measured ? "measured on a crossed wedge" : "assumed, not measured"));
  return out;
}

}  // namespace

std::string chip(int id) {
  return fmt::format("<a class=\"chip\" href=\"#row-{0}\" data-region=\"{0}\">{0}</a>", id);
}

std::string headline(const SheetContent& c) {
  const auto to_bite = with_action(c, {Action::bite, Action::beyond});
  const auto stages = static_cast<int>(c.plan.stages.size());
  const auto bites = static_cast<std::size_t>(
      std::ranges::count_if(to_bite, [&](const auto* r) { return !left_this_time(*r, stages); }));
  const auto lowered = to_lower(c), hand = by_hand(c);
  std::string lower;
  if (!lowered.empty())
    lower = count_text(lowered.size(), "region", "regions") + " to lower " +
            (c.plan.ground == plan::Ground::fresh ? "first." : "afterwards.");
  if (!hand.empty())
    lower += fmt::format("{}{} by hand ({}).",
                         lower.empty() ? "" : " ",
                         count_text(hand.size(), "region", "regions"),
                         area_text(area_of(hand), c.units));
  if (!c.plan.stages.empty()) {
    std::string out = fmt::format("{} in {}, {} in the bath in all.",
                                  count_text(bites, "region", "regions") + " to bite",
                                  count_text(c.plan.stages.size(), "stage", "stages"),
                                  clock_text(c.plan.stages.back().total));
    if (!lower.empty()) out += " " + lower;
    return out;
  }
  const auto too_short =
      static_cast<std::size_t>(std::ranges::count_if(c.plan.regions, too_short_to_bite));
  if (c.batch && too_short > 0)
    return fmt::format("{} should be darker, but no dip that you can time is short enough. {}",
                       count_text(too_short, "region", "regions"),
                       lower);
  if ((bites == 0 || c.batch) && lower.empty())
    return "Nothing to bite and nothing to lower: leave this plate as it is.";
  if (bites == 0 || c.batch) return "Nothing to bite. " + lower;
  return fmt::format("{} should be darker, but without a wedge there are no minutes. {}",
                     count_text(bites, "region", "regions"),
                     lower);
}

std::string glance_html(const SheetContent& c, const std::string& map) {
  std::string out = "<p class=\"headline\">" + html_text(headline(c)) + "</p>";
  out += "<div class=\"glance\">" + stage_cards(c) + map + "</div>" + lower_list(c);
  out += "<div class=\"besides\">" + by_hand_list(c) + beyond_list(c) + hold_list(c);
  if (c.plan.handling)
    out += fmt::format(
        "<div class=\"todo\"><h3>At the bench</h3><p>About <b>{}</b> between the dips "
        "for stopping out and drying, besides the bath.</p></div>",
        duration_text(*c.plan.handling));
  return out + "</div>";
}

std::string cautions_html(const SheetContent& c) {
  if (c.plan.cautions.empty()) return "";
  std::string out =
      "<aside class=\"cautions\" aria-labelledby=\"cautions-head\"><h2 id=\"cautions-head\">Take "
      "care</h2><ul>";
  for (const auto& text : c.plan.cautions) out += "<li>" + html_text(text) + "</li>";
  return out + "</ul></aside>";
}

std::string region_table_html(const SheetContent& c) {
  if (c.plan.regions.empty()) return "<p class=\"quiet\">No region: nothing is to be changed.</p>";
  std::string out =
      "<table class=\"regions\"><caption>Tones are densities above paper, ± one standard error; "
      "minutes in brackets are the 90 % interval.</caption><thead><tr><th "
      "scope=\"col\" data-sort=\"id\">No.</th><th scope=\"col\" data-sort=\"action\">What to "
      "do</th>"
      "<th scope=\"col\" data-sort=\"stage\">Stop out after</th><th scope=\"col\" "
      "data-sort=\"minutes\">Its own time</th><th scope=\"col\" data-sort=\"area\">Area</th><th "
      "scope=\"col\" data-sort=\"now\">Now</th><th scope=\"col\" "
      "data-sort=\"target\">Wanted</th><th "
      "scope=\"col\" data-sort=\"gap\">Gap</th><th scope=\"col\" "
      "data-sort=\"predicted\">Predicted</th><th scope=\"col\">Notes</th></tr></thead><tbody>";
  for (const auto& r : c.plan.regions) {
    const auto& g = r.region;
    std::string stage = "–", time = "–", notes;
    for (const auto& s : c.plan.stages)
      if (s.number == r.stage)
        stage = fmt::format("stage {}, <b>{}</b>", s.number, clock_text(s.total));
    if (left_this_time(r, static_cast<int>(c.plan.stages.size()))) stage = "left this time";
    if (r.minutes)
      time = fmt::format("{} <span class=\"pm\">({})</span>",
                         clock_text(r.minutes->advised),
                         range_text(r.minutes->low, r.minutes->high));
    for (const auto& note : r.notes) notes += (notes.empty() ? "" : " ") + html_text(note);
    out += fmt::format(
        "<tr id=\"row-{0}\" data-region=\"{0}\" data-action=\"{1}\" data-stage=\"{2}\" "
        "data-minutes=\"{3:.6g}\" data-area=\"{4:.6g}\" data-now=\"{5:.6g}\" "
        "data-target=\"{6:.6g}\" "
        "data-gap=\"{7:.6g}\" data-predicted=\"{8:.6g}\"><th scope=\"row\">{9}<span "
        "class=\"num\">{0}</span></th><td class=\"what\">{10}</td>",
        g.id,
        action_key(r.action),
        r.stage,
        r.minutes ? r.minutes->advised.in_minutes() : 0.0,
        g.area_mm2,
        g.now.value.value(),
        g.target.value.value(),
        g.gap.value(),
        r.predicted.value.value(),
        swatch(look_of(r)),
        action_words(r));
    const auto cell = [&](const char* head, const std::string& value) {
      out += fmt::format("<td data-head=\"{}\">{}</td>", head, value);
    };
    cell("Stop out after", stage);
    cell("Its own time", time);
    cell("Area", area_text(g.area_mm2, c.units));
    cell("Now", tone_html(g.now));
    cell("Wanted", tone_html(g.target));
    cell("Gap", gap_html(g.gap, g.gap_sd));
    cell("Predicted", tone_html(r.predicted));
    out += "<td class=\"notes\">" + notes + "</td></tr>";
  }
  return out + "</tbody></table>";
}

std::string stages_html(const SheetContent& c) {
  if (c.plan.stages.empty()) return "<p class=\"quiet\">No dip in this plan.</p>";
  std::string out = "<ol class=\"dips\">";
  for (const auto& s : c.plan.stages)
    out += fmt::format(
        "<li><figure><figcaption><b>Stage {}</b> · {}. Plate view.</figcaption>{}"
        "</figure></li>",
        s.number,
        dip_text(s),
        stage_figure(c, s));
  return out + "</ol>";
}

std::string stage_choice_html(const SheetContent& c) {
  if (c.plan.stage_table.empty()) return "";
  std::string out =
      "<table class=\"choice\"><caption>What one more stage would gain: mean tone error left over "
      "the bitten area (a time set by hand and not given, and time past the wedge's end, count "
      "too)</caption><thead><tr><th scope=\"col\">Stages</th><th scope=\"col\">Tone "
      "error left</th><th scope=\"col\">Gained by the last one</th></tr></thead><tbody>";
  for (const auto& s : c.plan.stage_table) out += choice_row(s);
  return out + "</tbody></table>";
}

std::string facts_html(const SheetContent& c) {
  std::string out = "<dl class=\"facts\">";
  out += fact("Plate", size_text(c.plate, c.units));
  out += fact("Proof", html_text(c.proof_file)) + fact("Drawing", html_text(c.drawing_file));
  out += fact("Ground",
              c.plan.ground == plan::Ground::fresh
                  ? "fresh: a new ground over the old tones"
                  : "kept: the bite continues through the ground on the plate");
  out += batch_facts(c);
  if (c.batch)
    out += fact(
        "Bath against the wedge's",
        fmt::format(
            "times × {:.2f} ± {:.2f}", c.plan.temperature_factor, c.plan.temperature_factor_sd));
  if (c.batch)
    out += fact("Risk taken",
                fmt::format("{} that a region comes too dark by more than a visible step",
                            percent_text(c.plan.risk)));
  out += fact("Mean gap",
              fmt::format("{} before, {} after the plan",
                          tone_number(c.plan.outlook.mean_gap_before),
                          tone_number(c.plan.outlook.mean_gap_after)));
  out += fact("Inking taken out",
              fmt::format("offset {}, contrast × {:.2f}, noise left ± {}",
                          gap_number(c.map.inking.offset_density),
                          c.map.inking.gain,
                          tone_number(c.map.inking.noise_density)));
  return out + "</dl>";
}

std::string notes_html(const SheetContent& c) {
  std::string out;
  for (const auto& note : all_notes(c)) out += "<li>" + html_text(note) + "</li>";
  return out.empty() ? "<p class=\"quiet\">None.</p>" : "<ul class=\"notes\">" + out + "</ul>";
}

std::string looks_html(const SheetContent& c) {
  std::string out = "<ul class=\"legend\">";
  for (const Look& l : looks_used(c)) out += "<li>" + swatch(l.key) + l.words + "</li>";
  return out + "</ul>";
}

std::string legend_html(const std::vector<std::pair<std::string, std::string>>& entries) {
  std::string out = "<ul class=\"legend\">";
  for (const auto& [colour, words] : entries)
    out += fmt::format(
        "<li><svg class=\"swatch\" viewBox=\"0 0 24 24\" width=\"24\" height=\"24\" "
        "aria-hidden=\"true\"><rect x=\".5\" y=\".5\" width=\"23\" height=\"23\" "
        "fill=\"{}\" stroke=\"#555\"/></svg>{}</li>",
        colour,
        words);
  return out + "</ul>";
}

}  // namespace rebite::sheets
