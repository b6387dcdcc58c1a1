// Fills in the time zone that this device is set to, where none was given. The form works without it.
"use strict";
const zone = document.getElementById("timezone");
if (zone && !zone.value && location.pathname === "/sites/new") {
  const here = Intl.DateTimeFormat().resolvedOptions().timeZone || "";
  if (here.includes("/")) zone.value = here; // a device on UTC does not say where it is
}
