#include <chrono>

#include "cli/run.h"
#include "page/page.h"

int main(int argc, char** argv) {
  const rebite::cli::ServePage page = [](const std::filesystem::path& book,
                                         unsigned short port,
                                         const rebite::cli::PageReady& ready,
                                         const std::stop_token& stop) {
    const auto wall_ms = [] {
      using namespace std::chrono;
      return duration_cast<milliseconds>(system_clock::now().time_since_epoch()).count();
    };
    return rebite::page::serve_page({book, port, wall_ms, ready}, stop);
  };
  return rebite::cli::run(argc, argv, page);
}
