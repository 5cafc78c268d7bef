// What the first page of the bench map says, as blocks of text.
#pragma once

#include <vector>

#include "sheets/bench_parts.h"

namespace rebite::sheets {

// Cautions, lower first, preparation, order of the stages.
std::vector<TextBlock> first_page_words(const SheetContent& content);
// The plan's notes.
std::vector<TextBlock> note_words(const SheetContent& content);
// The tick lines of one stage's page.
// At most `parts` numbers or runs of numbers in a list (0: all).
std::vector<TextBlock> stage_words(const SheetContent& content,
                                   std::size_t stage,
                                   std::size_t parts);

}  // namespace rebite::sheets
