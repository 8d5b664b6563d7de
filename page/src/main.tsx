// Where the page begins.

import { render } from "preact";
import { App } from "./app.tsx";
import { whoAmI } from "./session.ts";
import "./style.css";

void whoAmI();
const place = document.getElementById("page");
if (place) render(<App />, place);
