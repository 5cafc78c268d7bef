#include "jobs/version.h"

namespace rebite::jobs {

std::string version() { return REBITE_VERSION; }

}  // namespace rebite::jobs
