// Fills in the time zone that this device is set to, where none was given. The form works without it.
"use strict";
const zone = document.getElementById("timezone");
if (zone && !zone.value && location.pathname === "/sites/new") {
  zone.value = Intl.DateTimeFormat().resolvedOptions().timeZone || "";
}
