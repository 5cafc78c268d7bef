#include "cli/run.h"

namespace rebite::cli {

int run(int, char**) { return 64; }

}  // namespace rebite::cli
