// Asks for the page again while somebody waits for what it will show. Without scripts
// there is a link to do so.
"use strict";
setInterval(() => {
  if (document.visibilityState === "visible" && !document.querySelector("details[open], :focus:is(input, textarea, select)")) location.reload();
}, 4000);
