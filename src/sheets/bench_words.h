// What the pages of the bench map say, as blocks of text.
#pragma once

#include <vector>

#include "sheets/bench_parts.h"

namespace rebite::sheets {

// Cautions, lower first, by hand, what the scans lack, preparation, order of the stages.
std::vector<TextBlock> first_page_words(const SheetContent& content);
// Every other note of plan, map and wedge, once.
std::vector<TextBlock> note_words(const SheetContent& content);
// Soft passages and drawn lines: from which tone to which, with the wedge's time as a rough guide.
std::vector<TextBlock> by_hand_words(const SheetContent& content);
// The tick lines of one stage's page.
// At most `parts` numbers or runs of numbers in a list (0: all).
std::vector<TextBlock> stage_words(const SheetContent& content,
                                   std::size_t stage,
                                   std::size_t parts);

}  // namespace rebite::sheets
