// The one place where a broken machine (memory, disk, a library that throws) becomes a Problem.
#pragma once

#include <functional>
#include <string_view>

#include "units/problem.h"

namespace rebite::jobs {

// What an exception on its way out of `errand` means to the user.
Problem problem_of_current_exception(std::string_view errand);

template <class Job>
auto guarded(std::string_view errand, Job&& job) -> decltype(job()) {
  try {
    return job();
  } catch (...) {
    return std::unexpected(problem_of_current_exception(errand));
  }
}

std::unexpected<Problem> stopped_by_user();

}  // namespace rebite::jobs
