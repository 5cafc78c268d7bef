#include "jobs/guard.h"

#include <fmt/format.h>

#include <exception>
#include <filesystem>
#include <new>
#include <opencv2/core.hpp>
#include <system_error>

#include "files/files.h"

namespace rebite::jobs {
namespace {

std::string nothing_written() { return files::has_written() ? "" : "Nothing was written. "; }

}  // namespace

Problem problem_of_current_exception(std::string_view errand) {
  const auto too_little = [&] {
    return Problem{
        ProblemKind::io,
        fmt::format("{}: this machine has too little free memory", errand),
        "Close other programs, or scan at a lower resolution (300 dpi is enough), and run it "
        "again."};
  };
  try {
    throw;
  } catch (const std::bad_alloc&) {
    return too_little();
  } catch (const cv::Exception& e) {
    // (Its buffers assert that they were all had when they are given back.)
    if (e.code == cv::Error::StsNoMem || e.file.ends_with("buffer_area.cpp")) return too_little();
    return {ProblemKind::internal,
            fmt::format("{}: a fault of Rebite: {}", errand, e.err),
            nothing_written() + "Please report it together with the two scans."};
  } catch (const std::filesystem::filesystem_error& e) {
    return {ProblemKind::io,
            fmt::format("{}: {}: {}", errand, files::shown(e.path1()), e.code().message()),
            "Free some space on that disk or choose a folder that you may write to, then run it "
            "again."};
  } catch (const std::exception& e) {
    // No room for the stack of another thread: std::thread says EAGAIN, OpenCV's pool says it in
    // words.
    const auto* system = dynamic_cast<const std::system_error*>(&e);
    if ((system && system->code() == std::errc::resource_unavailable_try_again) ||
        std::string_view(e.what()).find("pthread_create") != std::string_view::npos) {
      return too_little();
    }
    return {ProblemKind::internal,
            fmt::format("{}: a fault of Rebite: {}", errand, e.what()),
            nothing_written() + "Please report it together with the scans."};
  } catch (...) {
    return {ProblemKind::internal,
            fmt::format("{}: a fault of Rebite", errand),
            nothing_written() + "Please report it together with the scans."};
  }
}

std::unexpected<Problem> stopped_by_user() {
  return refuse(ProblemKind::stopped, "Stopped.", "Nothing was written.");
}

}  // namespace rebite::jobs
