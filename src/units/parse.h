// Text with units, as the command line and the page take it. Never depends on the locale.
#pragma once

#include <string_view>
#include <vector>

#include "units/bite_time.h"
#include "units/lengths.h"
#include "units/problem.h"
#include "units/temperature.h"

namespace rebite {

// "15s", "2.5min", "2:30" (m:ss), "1:02:00", "4m30s". A bare number is refused, but "0" is allowed:
// nothing is nothing in any unit. Negative, NaN and over 48 h are refused.
Result<BiteTime> parse_time(std::string_view whole);
// Comma-separated times, e.g. "15s,30s,1min".
Result<std::vector<BiteTime>> parse_times(std::string_view text);
// "180x130", "180x130mm", "7x5in", "18x13cm". Both sides in 5..2000 mm.
Result<SizeMm> parse_size(std::string_view whole);
// "21C", "70F", with or without a degree sign. Within -10..100 C.
Result<Temperature> parse_temperature(std::string_view whole);
// Comma-separated plain numbers with a decimal point, e.g. "0.05,0.23".
Result<std::vector<double>> parse_numbers(std::string_view text);
// One finite number, whole text.
Result<double> parse_number(std::string_view whole);

}  // namespace rebite
