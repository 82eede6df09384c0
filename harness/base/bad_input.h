// Input that a person must correct: the one exception that ends a command with exit code 3.
// Room: harness/base. May use the standard library only.
#pragma once

#include <stdexcept>
#include <string>
#include <vector>

namespace dawnrig::base {

/// One complaint about a file. Line and column count from 1; 0: not applicable.
struct Complaint {
  std::string file;
  int line{0};
  int column{0};
  std::string field;    ///< dotted path, "" if none
  std::string message;  ///< the value and what would be right
  /// "board.textproto:12:5: mcu.clock_hz: is 0, must be at least 100000"
  [[nodiscard]] std::string text() const;
};

/// Everything wrong with the input, all at once. what() is the complaints, one per line.
class BadInput : public std::runtime_error {
 public:
  explicit BadInput(std::vector<Complaint> complaints);
  BadInput(std::string file, std::string message);
  [[nodiscard]] const std::vector<Complaint>& complaints() const { return complaints_; }

 private:
  std::vector<Complaint> complaints_;
};

/// The rig itself failed at run time in a way no input explains (disk full, out of memory): exit code 3 as well, but
/// what was recorded so far is kept.
class RunFault : public std::runtime_error {
 public:
  using std::runtime_error::runtime_error;
};

}  // namespace dawnrig::base
