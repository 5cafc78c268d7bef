// The worded parts of the report as HTML fragments. Each stands by itself, needs no script, and is
// what the components of report/*.js take over when there is one.
#pragma once

#include <string>
#include <vector>

#include "sheets/sheet_content.h"

namespace rebite::sheets {

std::string headline(const SheetContent& c);  // one sentence: the whole job (plain text)
// Stages with the map beside them, lower first, by hand, hold. `map`: a figure; may be left out.
std::string glance_html(const SheetContent& c, const std::string& map = "");
std::string cautions_html(const SheetContent& c);
std::string region_table_html(const SheetContent& c);
std::string stages_html(const SheetContent& c);        // one figure per stage, plate view
std::string stage_choice_html(const SheetContent& c);  // what each number of stages costs
std::string facts_html(const SheetContent& c);         // plate, batch, ground, inking, alignment
std::string notes_html(const SheetContent& c);
std::string looks_html(const SheetContent& c);  // legend of the hatches
// A legend of colours and words.
std::string legend_html(const std::vector<std::pair<std::string, std::string>>& entries);
// A region's number as a link to its row in the table.
std::string chip(int id);

}  // namespace rebite::sheets
