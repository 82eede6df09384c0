// Room: harness/cli, the top floor.
#include "harness/cli/typed.h"

#include <poll.h>
#include <unistd.h>

#include <utility>

namespace dawnrig::cli {

std::optional<std::string> Typed::line() {
  pollfd input{STDIN_FILENO, POLLIN, 0};
  while (!ended_ && ::poll(&input, 1, 0) > 0) {
    char c = 0;
    if (::read(STDIN_FILENO, &c, 1) != 1) {
      ended_ = true;
    } else if (c == '\n') {
      return std::exchange(text_, {});
    } else {
      text_.push_back(c);
    }
  }
  return std::nullopt;
}

}  // namespace dawnrig::cli
