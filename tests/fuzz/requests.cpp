// What may come over the wire to the local page: bytes in, an answer out, no socket. The seeds
// carry this target's own host and key, so that the fuzzer gets past the door too.
#include "page/page.h"
#include "page/room.h"
#include "tests/fuzz/target.h"

using namespace rebite;

namespace {

page::Room& room() {
  static page::Room made([] {
    page::RoomOptions options;
    options.studio = jobs::Studio::beside(fuzz::folder() / "book.sqlite");
    options.port = 8123;
    options.keys = {std::string(32, 'a'), std::string(32, 'b')};
    options.wall_ms = [] { return std::int64_t{1795600000000}; };
    options.most_scan_bytes = 100'000;
    options.most_body_bytes = 10'000;
    if (!options.studio.make_folders()) std::abort();
    return options;
  }());
  return made;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string answer = page::handle(room(), std::string(fuzz::text_of(data, size)));
  // Nothing at all (the request is not whole), or a whole answer that is no fault of ours.
  fuzz::must(answer.empty() || answer.starts_with("HTTP/1."), "an answer is HTTP");
  fuzz::must(answer.compare(0, 12, "HTTP/1.1 500") != 0, "no fault of ours");
  return 0;
}
