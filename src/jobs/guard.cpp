#include "jobs/guard.h"

#include <fmt/format.h>

#include <exception>
#include <new>
#include <opencv2/core.hpp>

namespace rebite::jobs {

Problem problem_of_current_exception(std::string_view errand) {
  constexpr std::string_view more_memory =
      "Close other programs, or scan at a lower resolution (300 dpi is enough), and run it again.";
  try {
    throw;
  } catch (const std::bad_alloc&) {
    return {ProblemKind::io,
            fmt::format("{}: this machine has too little free memory", errand),
            std::string(more_memory)};
  } catch (const cv::Exception& e) {
    if (e.code == cv::Error::StsNoMem) {
      return {ProblemKind::io,
              fmt::format("{}: this machine has too little free memory", errand),
              std::string(more_memory)};
    }
    return {ProblemKind::internal,
            fmt::format("{}: a fault of Rebite: {}", errand, e.err),
            "Nothing was written. Please report it together with the two scans."};
  } catch (const std::exception& e) {
    return {ProblemKind::internal,
            fmt::format("{}: a fault of Rebite: {}", errand, e.what()),
            "Nothing was written. Please report it together with the scans."};
  } catch (...) {
    return {ProblemKind::internal,
            fmt::format("{}: a fault of Rebite", errand),
            "Nothing was written. Please report it together with the scans."};
  }
}

std::unexpected<Problem> stopped_by_user() {
  return refuse(ProblemKind::stopped, "Stopped.", "Nothing was written.");
}

}  // namespace rebite::jobs
