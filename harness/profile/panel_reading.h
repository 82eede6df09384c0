// Panels out of site files. Room: harness/profile, private to it. May use plant; reads proto in .cc files.
#pragma once

#include <optional>

#include "plant/core/problems.h"
#include "plant/panel/array.h"
#include "plant/panel/single_diode.h"

namespace dawnrig::proto {
class Panel;
}

namespace dawnrig::profile {

struct ReadPanel {
  plant::PanelParams whole;                 ///< in full light
  std::optional<plant::ArrayParams> array;  ///< of a panel that is given by its data sheet
  plant::Problems of_datasheet;             ///< fields as in panel.datasheet
};

[[nodiscard]] ReadPanel panel_of(const proto::Panel& written);

}  // namespace dawnrig::profile
