// What the metering room says, as a page of the report room.
// Room: harness/cli, the top floor.
#pragma once

#include <filesystem>

#include "harness/metering/account.h"

namespace dawnrig::cli {

/// One self-contained page. Throws base::BadInput for a place that cannot be written and base::RunFault for a full
/// disk.
void write_page(const metering::Account& account, const std::filesystem::path& page);

}  // namespace dawnrig::cli
