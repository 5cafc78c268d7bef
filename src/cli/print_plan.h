#pragma once

#include <string>

#include "jobs/plan_state.h"

namespace rebite::cli {

// What to do, in one glance.
std::string plan_text(const jobs::PlanReport& report, const std::string& folder);

}  // namespace rebite::cli
