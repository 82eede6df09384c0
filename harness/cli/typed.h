// Lines that a person types, without ever waiting for one. Room: harness/cli.
#pragma once

#include <optional>
#include <string>

namespace dawnrig::cli {

class Typed {
 public:
  /// nullopt: not a whole line yet, or none will come any more.
  [[nodiscard]] std::optional<std::string> line();
  /// The input is at its end.
  [[nodiscard]] bool ended() const { return ended_; }

 private:
  std::string text_;
  bool ended_{false};
};

}  // namespace dawnrig::cli
