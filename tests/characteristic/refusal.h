// What a sweep that is none is refused with. Room: tests.
#pragma once

#include <string>

#include "harness/base/bad_input.h"

namespace dawnrig::characteristic {

template <class Call>
std::string refusal_of(Call call) {
  try {
    call();
  } catch (const base::BadInput& e) {
    return e.what();
  }
  return "nothing refused";
}

}  // namespace dawnrig::characteristic
