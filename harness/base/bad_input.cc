#include "harness/base/bad_input.h"

#include <utility>

namespace dawnrig::base {
namespace {

std::string joined(const std::vector<Complaint>& complaints) {
  std::string text;
  for (const Complaint& complaint : complaints) {
    if (!text.empty()) text += '\n';
    text += complaint.text();
  }
  return text;
}

}  // namespace

std::string Complaint::text() const {
  std::string text = file;
  if (line > 0) {
    text += ':' + std::to_string(line);
    if (column > 0) text += ':' + std::to_string(column);
  }
  if (!field.empty()) text += (text.empty() ? "" : ": ") + field;
  return text + (text.empty() ? "" : ": ") + message;
}

BadInput::BadInput(std::vector<Complaint> complaints)
    : std::runtime_error(joined(complaints)), complaints_(std::move(complaints)) {}

BadInput::BadInput(std::string file, std::string message)
    : BadInput(std::vector<Complaint>{{.file = std::move(file), .field = {}, .message = std::move(message)}}) {}

}  // namespace dawnrig::base
