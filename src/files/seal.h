// A seal in the JSON files that one command writes for another: a damaged digit is another good
// number, and a wrong minute must not come of it. It guards against damage, not against intent:
// a file without a seal is taken as it is, so whoever mends one by hand deletes the seal's line.
#pragma once

#include <nlohmann/json.hpp>
#include <string>

namespace rebite::files {

// Adds or renews "seal", the SHA-256 of the object's other members as compact JSON in their order.
void seal(nlohmann::ordered_json& object);

// True where the object carries a seal that does not fit the rest of it.
bool seal_broken(const nlohmann::ordered_json& object);

// The two halves of the refusal, the same for every kind of file.
inline constexpr const char* kSealBroken =
    "its seal does not fit its content: the file was damaged, or changed by hand";
inline constexpr const char* kSealNext =
    "Take it from a copy or make it again. If you changed it yourself and mean it, delete its line "
    "\"seal\".";

}  // namespace rebite::files
