// What every page does.

import { speakingForms } from "./forms.js";
import { keepForms } from "./keep.js";
import { follow } from "./live.js";

keepForms();
speakingForms();
follow();
