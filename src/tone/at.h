// A label as an index.
#pragma once

#include <cstddef>

namespace rebite::tone {

// `label` >= 0, as labels of areas are once they index anything.
inline std::size_t at(int label) { return static_cast<std::size_t>(label); }

}  // namespace rebite::tone
