// A trace file block by block, up to where it is cut off or damaged.
// Room: harness/trace. Only for the .cc files of this room; may use harness/base.
#pragma once

#include <cstdint>
#include <filesystem>
#include <fstream>
#include <string>

namespace dawnrig::proto {
class TraceBlock;
}

namespace dawnrig::trace {

class BlockReader {
 public:
  /// Throws base::BadInput: missing, empty, a folder, not a trace.
  explicit BlockReader(const std::filesystem::path& file);
  /// False at the end of what can be read. `serialised` is the block as it counts towards the content hash.
  [[nodiscard]] bool next(proto::TraceBlock& block, std::string& serialised);

 private:
  std::ifstream in_;
  std::string raw_;
};

}  // namespace dawnrig::trace
