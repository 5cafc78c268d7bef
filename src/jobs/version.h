#pragma once

#include <string>

namespace rebite::jobs {

std::string version();  // "0.1.0"

}  // namespace rebite::jobs
