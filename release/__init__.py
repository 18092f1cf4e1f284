"""What a release needs beside the code: the wheel tried alone, and the licences of what it stands on."""
