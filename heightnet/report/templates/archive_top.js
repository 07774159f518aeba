"use strict";
// The table of jobs sorts and filters; everything else works without this script.

const more = JSON.parse(document.getElementById("more-rows").textContent);
const STEP = 200; // rows shown at a time

